"""The promises about what was told of the paper can break: a good day's answers, and the same with one thing wrong."""

from __future__ import annotations

from copy import deepcopy
from datetime import timedelta
from typing import Any

import numpy as np

from machines.clock import utc
from machines.protocol.journal_entries import ColumnsPrinted
from machines.serialization import format_instant
from server.demo.foretold import as_foretold, as_told_after
from server.demo.station_day import StationDay
from tests.server.demo.test_acceptance import BEGINS, SMALL, day


def answer(of: StationDay, hour: float, source: str) -> dict[str, Any]:
    """What the ledger itself would say, a stretch for each length side by side."""
    at = BEGINS + timedelta(hours=hour)
    ledger = of.evidence.of_pictures
    laid = ledger[ledger["at"] <= at.timestamp()][-SMALL.knife_columns :]
    parts = np.split(laid, np.flatnonzero(np.diff(laid["column"]) != 1) + 1)
    return {
        "at": {"at": format_instant(utc(at.timestamp()))},
        "source": source,
        "paper_position": int(laid["place"][-1]) + 1,
        "certainty": {"unsure_columns": 0},
        "hangs": [
            {
                "paper_position": int(part["place"][0]),
                "columns": {"first_column": int(part["column"][0]), "end_column": int(part["column"][-1]) + 1},
            }
            for part in parts
        ],
    }


def test_answers_that_agree_with_the_ledger_keep_the_promise() -> None:
    good = day()
    assert as_foretold(good, [answer(good, hour, "planned") for hour in (1.5, 2.5)]).holds
    after = as_told_after(good, [answer(good, hour, "reported") for hour in (1.5, 2.5, 7.5)])
    assert after.holds and after.measured["columns_that_hang"] > 0 and after.measured["most_apart"] == 0


def test_a_column_too_many_elsewhere_or_missing_breaks_it() -> None:
    good = day()
    for change in (("first_column", 1), ("end_column", 9), ("end_column", -9)):
        wrong = deepcopy(answer(good, 2.5, "planned"))
        wrong["hangs"][-1]["columns"][change[0]] += change[1]
        assert not as_foretold(good, [wrong]).holds, change
    assert not as_told_after(good, [answer(good, 2.5, "planned")]).holds, "it should have been reported"
    assert not as_told_after(good, []).holds


def test_as_many_may_differ_as_it_is_said_to_be_unsure_of() -> None:
    good = day()
    short = answer(good, 2.5, "reported")
    short["hangs"][-1]["columns"]["end_column"] -= 2
    assert not as_told_after(good, [short]).holds
    short["certainty"]["unsure_columns"] = 2
    assert as_told_after(good, [short]).holds


BURST = SMALL.columns_per_burst


def cut(of: dict[str, Any], columns: int) -> dict[str, Any]:
    """As if less hung, from the knife on."""
    wrong = deepcopy(of)
    first = wrong["hangs"][0]
    first["paper_position"] += columns
    first["columns"]["first_column"] += columns
    return wrong


def test_an_answer_that_leaves_out_what_hangs_near_the_knife_breaks_it() -> None:
    """The paper's lower end is the knife's, not that of the answer; the burst of that moment is allowed there, too."""
    good = day()
    foretold, told = answer(good, 2.5, "planned"), answer(good, 2.5, "reported")
    assert as_foretold(good, [cut(foretold, BURST)]).holds
    assert not as_foretold(good, [cut(foretold, BURST + 1)]).holds
    assert not as_told_after(good, [cut(told, 1)]).holds
    for longer in (1, 8):
        assert not as_told_after(good, [cut(told, -longer)]).holds, "that has passed the knife"
    last = foretold | {"hangs": foretold["hangs"][-1:]}
    last["hangs"][0] = {
        "paper_position": foretold["paper_position"] - 1,
        "columns": {
            "first_column": last["hangs"][0]["columns"]["end_column"] - 1,
            "end_column": last["hangs"][0]["columns"]["end_column"],
        },
    }
    assert not as_foretold(good, [last]).holds, "one column is all that is told"


def test_each_answer_has_something_that_hangs() -> None:
    good = day()
    fine, none = answer(good, 2.5, "planned"), answer(good, 1.5, "planned") | {"hangs": []}
    assert not as_foretold(good, [fine, none]).holds
    unsure = answer(good, 1.5, "reported") | {"hangs": [], "certainty": {"unsure_columns": 10_000}}
    found = as_told_after(good, [answer(good, 2.5, "reported"), unsure])
    assert not found.holds and "nothing hangs" in str(found.measured["complaints"])
    before = answer(good, 1.5, "reported")
    before["at"]["at"], before["hangs"] = format_instant(BEGINS - timedelta(hours=1)), []
    assert not as_told_after(good, [before]).holds, "nothing lay there, and nothing is told"


def test_at_first_all_that_lies_there_may_be_unsure() -> None:
    good = day()
    at = float(good.evidence.of_pictures["at"].min()) + 1.0
    early = answer(good, 2.5, "reported") | {
        "at": {"at": format_instant(utc(at))}, "hangs": [], "certainty": {"unsure_columns": BURST},
    }  # fmt: skip
    assert as_told_after(good, [early, answer(good, 2.5, "reported")]).holds
    assert not as_told_after(good, [early | {"certainty": {"unsure_columns": 0}}, answer(good, 2.5, "reported")]).holds


def test_an_answer_that_is_unsure_of_more_than_one_report_tells_breaks_it() -> None:
    good = day()
    most = max(len(entry.columns) for entry in good.evidence.of(ColumnsPrinted))
    for unsure, holds in ((most, True), (most + 1, False), (10_000, False)):
        told = answer(good, 2.5, "reported") | {"certainty": {"unsure_columns": unsure}}
        assert as_told_after(good, [told]).holds is holds, unsure
    wrong = cut(answer(good, 2.5, "reported"), most + 1) | {"certainty": {"unsure_columns": 10_000}}
    assert not as_told_after(good, [wrong]).holds
