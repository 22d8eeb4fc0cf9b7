"""The messages between server and node: they survive the wire, and a bad one is refused with its field named."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from machines.errors import InputError
from machines.model.calibration import Calibration
from machines.protocol.journal_entries import (
    ColumnsPrinted,
    ConditionsChanged,
    Entry,
    FeedCorrected,
    GapSettled,
    KnifeArmed,
    NodeStarted,
    OperatorActed,
    SlipMeasured,
    StripCut,
    TrueAgain,
)
from machines.protocol.messages import Reports, RunWork, SegmentWork, Status, Work, pace
from machines.recovery import Columns, Gap, Override, Pace, Policy, Rule, Span, settle
from tests.machines.node.relay import carriage_profile, line_profile

AT = datetime(2026, 10, 24, 12, 0, 0, 250_000, tzinfo=UTC)
RUN = RunWork(id="run", first_column=0, end_column=1440, strips_per_turn=12, nozzle_seed=7, mean_turn_s=86400.0)
GAP = Gap(first=10, unknown_end=12, end=40, cause="power", noticed_at=AT)
POLICY = Policy(kind="replay")

ENTRIES: tuple[Entry, ...] = (
    NodeStarted(seq=1, at=AT, unplanned_stop=True),
    ColumnsPrinted(
        seq=2,
        at=AT,
        run="run",
        segment=3,
        columns=Columns(first=45, end=60),
        columns_done=15,
        paper_position=45,
        worst_miss_s=-0.125,
    ),
    GapSettled(
        seq=3,
        at=AT,
        run="run",
        gap=GAP,
        policy=POLICY,
        decision=settle(POLICY, GAP, pace(carriage_profile(), RUN)),
        paper_position=10,
    ),
    TrueAgain(seq=4, at=AT, run="run", column=64),
    StripCut(seq=5, at=AT, run="run", boundary=60, paper_position=60, made=False),
    KnifeArmed(seq=6, at=AT),
    ConditionsChanged(seq=7, at=AT, keywords=("media-empty", "media-needed")),
    OperatorActed(seq=8, at=AT, action="roll-changed"),
    SlipMeasured(seq=9, at=AT, run="run", column=64, slip_mm=-0.6, slip_s=-86.4, slip_degrees=-0.36),
    FeedCorrected(seq=10, at=AT, run="run", column=96, corrected_mm=0.58, slip_mm=-0.02),
)
STATUS = Status(at=AT, next_column=64, paper_position=64, clock_error_s=0.02, knife_armed=True, held_until=None)


def segment(first: int = 0, end: int = 30, seconds: tuple[float, ...] = (0.0, 100.0, 220.0, 360.0)) -> SegmentWork:
    knots = tuple(AT + timedelta(seconds=second) for second in seconds)
    return SegmentWork(number=0, first_column=first, end_column=end, plate="0" * 64, knots=knots)


def work(**changes: Any) -> Work:
    given: dict[str, Any] = {
        "epoch": 1,
        "run": RUN,
        "policy": POLICY,
        "profile": carriage_profile(),
        "plates": ("0" * 64,),
        "segments": (segment(),),
        "poll_after_s": 60.0,
    }
    return Work(**{**given, **changes})


def there_and_back(message: Work | Reports) -> Any:
    return type(message).from_json(json.loads(json.dumps(message.as_json())))


def test_reports_survive_the_wire_with_every_kind_of_entry() -> None:
    reports = Reports(epoch=3, entries=ENTRIES, status=STATUS)
    assert there_and_back(reports) == reports
    assert {entry.kind for entry in reports.entries} == {
        "node-started",
        "columns-printed",
        "gap-settled",
        "true-again",
        "strip-cut",
        "knife-armed",
        "conditions-changed",
        "operator-acted",
        "slip-measured",
        "feed-corrected",
    }


def test_work_survives_the_wire_with_a_word_closed_hours_and_a_timeline_that_waited() -> None:
    word = Override(id="w1", rule=Rule(kind="blank", half_printed="finish"), given_at=AT)
    closed = (Span(starts_at=AT, ends_at=AT + timedelta(hours=9)),)
    told = work(override=word, closed=closed, run=replace(RUN, shift_s=90.125))
    assert there_and_back(told) == told


def test_work_of_a_server_of_the_version_before_reads() -> None:
    data = work().as_json()
    for name in ("override", "closed"):
        del data[name]
    del data["run"]["shift_s"]
    assert Work.from_json(data) == work()


def test_a_timeline_never_waits_backwards() -> None:
    data = work().as_json()
    data["run"]["shift_s"] = -1.0
    with pytest.raises(InputError, match="give 0 or more") as refused:
        Work.from_json(data)
    assert refused.value.field == "run.shift_s"


def test_a_batch_may_be_empty_and_without_a_status() -> None:
    assert there_and_back(Reports(epoch=1, entries=())) == Reports(epoch=1, entries=())


@pytest.mark.parametrize(
    "message",
    [
        work(),
        work(run=None, policy=None, plates=(), segments=()),
        work(calibration=Calibration(feed_factor=0.995, dead_nozzles=(1, 5), head_to_knife_mm=20.5)),
    ],
    ids=["run", "none", "calibrated"],
)
def test_work_survives_the_wire(message: Work) -> None:
    assert there_and_back(message) == message


def test_work_from_a_server_that_knows_no_calibration_is_read() -> None:
    data = work().as_json()
    del data["calibration"]
    assert Work.from_json(data) == work()


def test_an_entry_of_no_kind_is_refused() -> None:
    data = Reports(epoch=1, entries=ENTRIES[:1]).as_json()
    data["entries"][0]["kind"] = "node-vanished"
    with pytest.raises(InputError, match="entries"):
        Reports.from_json(data)


@pytest.mark.parametrize(
    ("path", "value", "field"),
    [
        (("segments", 0, "end_column"), 0, "segments[0].end_column"),
        (("segments", 0, "knots"), ["2026-10-24T12:00:00Z"], "segments[0].knots"),
        (("segments", 0, "first_column"), "0", "segments[0].first_column"),
        (("epoch",), None, "epoch"),
        (("profile", "dots_across"), 3, "profile.dots_across"),
        (("policy", "kind"), "shrug", "policy.kind"),
    ],
)
def test_bad_work_names_its_field(path: tuple[str | int, ...], value: Any, field: str) -> None:
    data: Any = json.loads(json.dumps(work().as_json()))
    inner = data
    for step in path[:-1]:
        inner = inner[step]
    inner[path[-1]] = value
    with pytest.raises(InputError) as raised:
        Work.from_json(data)
    assert raised.value.field == field


def test_knots_must_increase() -> None:
    with pytest.raises(InputError, match="not increasing"):
        segment(seconds=(0.0, 10.0, 10.0))


def test_instants_run_evenly_between_the_knots() -> None:
    columns = np.array([0, 5, 10, 15, 20, 25, 30])
    seconds = segment().instants(columns) - AT.timestamp()
    assert seconds == pytest.approx([0.0, 50.0, 100.0, 160.0, 220.0, 290.0, 360.0])


@given(st.integers(-(10**6), 10**6), st.integers(1, 500), st.lists(st.floats(0.5, 1e4), min_size=1, max_size=9))
def test_instants_increase_with_the_columns_from_knot_to_knot(first: int, count: int, steps: list[float]) -> None:
    seconds = tuple(np.cumsum([0.0, *steps]).tolist())
    work = segment(first, first + count, seconds)
    instants = work.instants(np.arange(first, first + count + 1))
    assert (np.diff(instants) > 0).all()
    assert instants[0] == pytest.approx(work.knots[0].timestamp(), abs=1e-5)
    assert instants[-1] == pytest.approx(work.knots[-1].timestamp(), abs=1e-5)


def test_both_sides_settle_with_the_same_pace() -> None:
    machine = carriage_profile()
    expected = Pace(
        nominal_columns_per_s=720 / 86400.0,
        highest_columns_per_s=60.0 / 3600.0 / 0.5,
        columns_per_burst=16,
    )
    found = pace(machine, RUN)
    assert found.nominal_columns_per_s == pytest.approx(expected.nominal_columns_per_s)
    assert found.highest_columns_per_s == pytest.approx(expected.highest_columns_per_s)
    assert found.columns_per_burst == 16
    assert found.ratio == pytest.approx(4.0)
    assert (found.columns_per_turn, found.mm_per_column) == (720, 0.5)
    assert found.ml_per_dot == pytest.approx(2 * 10.0e-9), "two passes of 10 pl"
    assert pace(line_profile(), RUN).ml_per_dot == 0.0, "a line head has no ink"
