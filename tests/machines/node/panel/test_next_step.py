"""The one thing that a machine waits for, as the panel says it first."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from machines.node.clock.server_time import Estimate
from machines.node.panel.next_step import NOTHING, next_step
from machines.node.panel.pages import actions_page
from machines.node.panel.panel_state import PanelFacts, gather
from machines.node.store import operator_actions
from machines.operator.labels import LABELS
from tests.machines.node.rig import HandClock, Rig, make_studio

ARMING = "Then, to have strips cut: Arm the knife."


@pytest.fixture
def node(tmp_path: Path) -> Rig:
    """A machine that prints, whose run is cut, and whose knife is off."""
    clock = HandClock()
    made = Rig(tmp_path, make_studio(clock), clock)
    made.fetch()
    made.run_columns(30)
    return made


def facts(node: Rig) -> PanelFacts:
    return gather(node.journal, Estimate(now=node.clock.at, error_s=0.1))


def held(node: Rig, *actions: str) -> PanelFacts:
    with node.journal.transaction() as db:
        for action in actions:
            operator_actions.act(db, action)  # type: ignore[arg-type]  # each is one of the panel's
    return facts(node)


def test_a_machine_that_prints_with_its_knife_off_wants_it_armed(node: Rig) -> None:
    step = next_step(facts(node))
    assert step.action == "arm-knife" and "strips hang on to each other" in step.look


def test_armed_or_not_cut_or_without_a_knife_it_waits_for_nothing(node: Rig) -> None:
    now = facts(node)
    for other in (replace(now, knife_armed=True), replace(now, is_cut=False), replace(now, has_knife=False)):
        assert (next_step(other).action, next_step(other).look) == (None, NOTHING)
    low = replace(now, knife_armed=True, conditions=(("media-low", "the roll is nearly empty"),))
    assert next_step(low).look == "See to what it says: the roll is nearly empty."


@pytest.mark.parametrize(
    ("actions", "action", "look", "after"),
    [
        (("stop",), "release", "Ask who stopped it, and why.", f"Then: Resume. {ARMING}"),
        (("stop", "release"), "resume", "Ask who paused it, and why.", ARMING),
        (("pause",), "resume", "Ask who paused it, and why.", ARMING),
        (("park",), "resume", "are the guards closed?", ARMING),
    ],
)
def test_what_holds_it_still_names_what_comes_next(
    node: Rig, actions: tuple[str, ...], action: str, look: str, after: str
) -> None:
    step = next_step(held(node, *actions))
    assert (step.action, step.after) == (action, after) and look in step.look


@pytest.mark.parametrize(
    ("hold", "look"), [("unplanned-stop", "Look at the machine and its paper."), ("refusing", "it refused one order")]
)
def test_after_a_power_cut_somebody_looks_and_resumes(node: Rig, hold: str, look: str) -> None:
    step = next_step(replace(facts(node), hold=hold))
    assert step.action == "resume" and look in step.look


@pytest.mark.parametrize("actions", [(), ("pause",), ("park",), ("stop",)])
def test_every_action_stands_there_once_with_what_halts_it_and_what_comes_next_unfolded(
    node: Rig, actions: tuple[str, ...]
) -> None:
    now = held(node, *actions)
    page, step = actions_page(now, "token", ""), next_step(now)
    assert all(page.count(f"<h2>{label}</h2>") == 1 for label in LABELS.values())
    unfolded, *folds = page.split("<details>")
    assert step.action is not None and f"<button>{LABELS[step.action]}</button>" in unfolded
    assert "<button>Stop</button>" in unfolded, "whatever else is folded"
    assert len(folds) == 2 and "<button>" not in folds[1].partition("</details>")[0]


def test_a_board_that_was_fenced_off_asks_only_to_ring(node: Rig) -> None:
    step = next_step(replace(facts(node), fenced="another board took over", hold="unplanned-stop"))
    assert step.action is None and step.look.endswith("Ring.")


def test_a_board_without_the_time_waits_for_its_server_and_lets_somebody_set_it(node: Rig) -> None:
    step = next_step(gather(node.journal, None))
    assert step.action == "set-time" and "set it by a clock you trust" in step.look
    rough = Estimate(now=node.clock.at, error_s=90.0)
    told = next_step(gather(node.journal, rough))
    assert told.action is None and "waits to know the time" in told.look
