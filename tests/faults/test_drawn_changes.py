"""Changes of plans are drawn behind what a seed stood for, amid every fault that they may meet."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import pytest

from tests.faults import drawn_changes
from tests.faults.changing import CHANGES, FIRST_CHANGES, TAKE_BACK
from tests.faults.drawn_changes import SOON_H, draw_all
from tests.faults.kinds import FORGETS, KINDS
from tests.faults.scenario import Fault, Scenario, draw

DRAWN = [draw_all(seed) for seed in range(1, 3001)]
CHANGED = [one for one in DRAWN if "plans-change" in one.kinds]
# While one of these lasts, its board is silent.
SILENT = {kind for kind in KINDS if kind.startswith(("node-", "network-", "server-"))}


def changes_of(scenario: Scenario) -> list[Fault]:
    return [fault for fault in scenario.faults if fault.kind == "plans-change"]


def share(of: list[Scenario]) -> float:
    return len(of) / len(CHANGED)


def amid(scenario: Scenario, kinds: set[str], after_h: float = 0.0) -> bool:
    """Whether people say something while a fault of one of some kinds lasts, or so long after it."""
    others = [fault for fault in scenario.faults if fault.kind in kinds]
    return any(
        one.at_h <= change.at_h <= one.at_h + one.lasts_h + after_h for one in others for change in changes_of(scenario)
    )


def test_what_a_seed_stood_for_before_it_still_does() -> None:
    for scenario in DRAWN[:500]:
        plain = draw(scenario.seed)
        assert replace(scenario, faults=scenario.faults[: len(plain.faults)], word="") == plain
        assert {one.kind for one in scenario.faults[len(plain.faults) :]} <= {"plans-change"}
        assert scenario == draw_all(scenario.seed)


def test_a_third_of_all_have_some_and_of_these_four_of_ten_two_in_a_row() -> None:
    assert 0.3 < len(CHANGED) / len(DRAWN) < 0.4
    assert 0.35 < share([one for one in CHANGED if len(changes_of(one)) == 2]) < 0.45
    for one in CHANGED:
        assert all(0.0 <= after.at_h - before.at_h <= SOON_H + 0.001 for before, after in pairwise(changes_of(one)))
        assert all(fault.at_h < one.hours for fault in changes_of(one))


def test_they_are_said_amid_silence_and_reboots_and_while_something_is_printed_late() -> None:
    assert share([one for one in CHANGED if amid(one, SILENT)]) > 0.3
    assert share([one for one in CHANGED if amid(one, {"node-rebooted", "rebooted-offline"})]) > 0.05
    late = [one for one in CHANGED if "replay" in one.policy and amid(one, {"node-killed", "node-gone"}, 1.0)]
    assert share(late) > 0.01
    assert share([one for one in CHANGED if one.profile == "burst"]) > 0.4


@pytest.mark.parametrize("name", CHANGES)
def test_every_change_is_drawn_and_as_often_as_any(name: str) -> None:
    had = [one for one in CHANGED if any(fault.detail == name for fault in changes_of(one))]
    assert share(had) > 0.5 / len(CHANGES)


def test_a_kind_more_takes_no_seeds_but_those_that_it_wins(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(drawn_changes, "CHANGES", CHANGES | {"a new one": None})
    again = [draw_all(one.seed) for one in CHANGED]
    differs = [new for new, old in zip(again, CHANGED, strict=True) if new != old]
    assert 0 < len(differs) < len(CHANGED) / 4
    assert all("a new one" in {fault.detail for fault in one.faults} for one in differs)


def test_what_they_are_called_is_known() -> None:
    assert {*FIRST_CHANGES, *TAKE_BACK} <= set(CHANGES)
    assert "plans-change" not in {*KINDS, *FORGETS}
