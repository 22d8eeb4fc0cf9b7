"""The fast way to read an entry against the careful one: it says the same, or leaves the entry to the other."""

from __future__ import annotations

import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from machines.errors import InputError
from machines.protocol.upcasts import read_entry
from scheduling.nodes.plain_entries import read_plain

AT = "2026-10-24T12:00:00.123456Z"
PRINTED = {
    "kind": "columns-printed",
    "seq": 1,
    "at": AT,
    "run": "spring",
    "segment": 3,
    "columns": {"first": 150, "end": 200},
    "columns_done": 50,
    "paper_position": 150,
    "worst_miss_s": 0.0123,
}
CUT = {"kind": "strip-cut", "seq": 1, "at": AT, "run": "spring", "boundary": 50, "paper_position": 50, "made": True}
TRUE = {"kind": "true-again", "seq": 1, "at": AT, "run": "spring", "column": 3}
COMPARED = {"kind": "set-time-compared", "seq": 1, "at": AT, "ahead_s": -0.1, "error_s": 2}
PLACED = {"seq": 1, "at": AT, "run": "spring", "column": 3}
SLIP = PLACED | {"kind": "slip-measured", "slip_mm": 0.1, "slip_s": 1.5, "slip_degrees": 0.01}
FED = PLACED | {"kind": "feed-corrected", "corrected_mm": 0.1, "slip_mm": 0.0}
ALL = (PRINTED, CUT, TRUE, COMPARED, SLIP, FED)

ODD: tuple[Any, ...] = (
    None, True, 0, -1, 1.0, 1.5, math.inf, math.nan, 2**70, 10**400, "", "3", "quiet", "none of these", [], [1, 2], {},
    {"first": 3, "end": 2}, {"first": 3}, {"first": 3, "end": 4, "more": 5}, {"first": 3, "end": 4.0},
    {"first": True, "end": 4}, "2026-10-24T12:00:00Z", "2026-10-24T12:00:00+02:00", "2026-10-24T12:00:00",
    "2026-10-24T12:00:60Z", "2026-10-24 12:00:00Z", "2026-10-24t12:00:00.123456z", "2026-10-24T12:00:00.1234567Z",
    "2026-10-24T24:00:00Z", "2026-10-24T12:00:00.12345Z", "0000-10-24T12:00:00Z", "2026-02-30T12:00:00Z",
    "2026-10-24T12:00:00.12+01Z", "2026-10-24T12:00:00,123456Z", "２026-10-24T12:00:00Z", "2026-10-24T12:00Z",
)  # fmt: skip


@pytest.mark.parametrize(
    "raw", [PRINTED, CUT, CUT | {"made": False, "why": "quiet"}, *ALL], ids=lambda raw: raw["kind"]
)
def test_what_boards_write_is_read_so(raw: dict[str, Any]) -> None:
    assert repr(read_plain(raw)) == repr(read_entry(raw))


@given(
    raw=st.sampled_from(ALL),
    change=st.dictionaries(
        st.sampled_from([*PRINTED, *CUT, "ahead_s", "slip_mm", "why", "schema", "more"]),
        st.sampled_from(ODD),
        max_size=2,
    ),
    without=st.sets(st.sampled_from(sorted(PRINTED)), max_size=1),
)
def test_whatever_is_told_it_is_read_as_the_careful_way_reads_it(
    raw: dict[str, Any], change: dict[str, Any], without: set[str]
) -> None:
    told = {name: value for name, value in (raw | change).items() if name not in without}
    plain = read_plain(told)
    if plain is not None:
        assert repr(plain) == repr(read_entry(told))


@pytest.mark.parametrize("raw", ALL, ids=lambda raw: raw["kind"])
@pytest.mark.parametrize("odd", ODD, ids=repr)
def test_each_value_in_each_place(raw: dict[str, Any], odd: Any) -> None:
    for name in (*raw, "more", "schema"):
        told = raw | {name: odd}
        try:
            careful = repr(read_entry(told))
        except InputError:
            careful = repr(None)
        assert repr(read_plain(told)) in (careful, repr(None))
