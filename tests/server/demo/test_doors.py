"""The promise about an opening can break: a good day's answer, and the same with one thing wrong."""

from __future__ import annotations

from copy import deepcopy
from dataclasses import replace
from datetime import timedelta

from server.demo.doors import Doors, hung_as_was_said
from tests.server.demo.test_acceptance import BEGINS, day
from tests.server.demo.test_foretold import answer

OPENS_AT = BEGINS + timedelta(hours=7.5)
ASKED = OPENS_AT - timedelta(hours=24)


def doors() -> Doors:
    return Doors(opens_at=OPENS_AT, asked_at=ASKED, answer=answer(day(), 7.5, "planned"))


def test_what_was_said_a_day_before_and_hung_keeps_the_promise() -> None:
    found = hung_as_was_said(day(), doors())
    assert found.holds, found.measured
    assert found.measured["columns_that_hung"] > 0 and found.measured["apart"] == 0


def test_columns_too_many_or_missing_break_it_and_so_does_an_answer_that_came_late() -> None:
    good, burst = day(), day().evidence.profile.columns_per_burst
    for name, by in (("first_column", burst + 1), ("end_column", -burst - 1), ("end_column", burst + 1)):
        wrong = deepcopy(doors())
        wrong.answer["hangs"][-1]["columns"][name] += by
        assert not hung_as_was_said(good, wrong).holds, name
    assert not hung_as_was_said(good, replace(doors(), asked_at=ASKED + timedelta(minutes=1))).holds
    assert not hung_as_was_said(good, replace(doors(), answer=answer(good, 7.5, "reported"))).holds
    assert not hung_as_was_said(
        good, replace(doors(), opens_at=BEGINS, answer={"hangs": [], "source": "planned"})
    ).holds
