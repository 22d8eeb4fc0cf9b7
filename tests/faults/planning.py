"""The studio plans runs: before the first begins, while it is under way, and again what a server has forgotten."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

import urllib3

from machines.serialization import format_instant
from server.demo.processes import DemoError
from tests.faults.options import POLICIES, SHIFTS, cycle_options
from tests.faults.scenario import Scenario
from tests.faults.stage import Act, Stage

STRIPS_PER_TURN = 48
TRY_EVERY_H = 0.05
# By so much later somebody tries it who hears that the machine is still on the run before.
LATER_H = 0.25
# Where the server was away until then, it is still meant.
IN_THE_PAST = {"begins_in_the_past": True}


def plan_first(stage: Stage) -> None:
    """Every run but one that is planned late; the first begins when the stage's scenario does."""
    scenario = stage.scenario
    count = len(scenario.spans_h) - (scenario.late_h is not None)
    for number in range(1, count + 1):
        run = run_body(scenario, stage.machine, number, stage.begins)
        stage.lane.studio.create("runs", run)
        stage.runs.append(run["id"])


def plan_late(stage: Stage) -> None:
    """The last run, as soon as the server is there."""
    run = (
        run_body(stage.scenario, stage.machine, len(stage.scenario.spans_h), stage.begins, stage.later_h) | IN_THE_PAST
    )
    try:
        is_planned = _planned(stage, run)
    except DemoError:
        if stage.scenario.policy not in SHIFTS and "plans-change" not in stage.scenario.kinds:
            raise
        stage.later_h += (
            LATER_H  # the run before ends later than was meant: its timeline has waited, or somebody said so
        )
        is_planned = False
    if is_planned:
        stage.runs.append(run["id"])
    else:
        stage.pending.append(Act(stage.hours() + TRY_EVERY_H, lambda: plan_late(stage)))


def plan_again(stage: Stage) -> None:
    """Runs that a server put back does not know, also where they began meanwhile."""
    for number, run in enumerate(stage.runs, 1):
        status, _ = stage.lane.studio.call("GET", f"runs/{run}")
        if status == 404:
            later_h = stage.later_h if number == len(stage.scenario.spans_h) else 0.0
            _planned(stage, run_body(stage.scenario, stage.machine, number, stage.begins, later_h) | IN_THE_PAST)


def _planned(stage: Stage, run: dict[str, Any]) -> bool:
    if stage.server_off:
        return False
    try:
        stage.lane.studio.create("runs", run)
    except urllib3.exceptions.HTTPError:
        return False
    return True


def run_body(scenario: Scenario, machine: str, number: int, begins: datetime, later_h: float = 0.0) -> dict[str, Any]:
    """What plans a run; they begin where the one before ends, or so much later."""
    starts_at = begins + timedelta(hours=sum(scenario.spans_h[: number - 1]) + later_h)
    return {
        "id": f"{machine}-{number}",
        "machine": machine,
        "source": "land",
        "cycle": scenario.cycle,
        "cycle_options": cycle_options(scenario.cycle),
        "starts_at": format_instant(starts_at),
        "ends_at": format_instant(starts_at + timedelta(hours=scenario.spans_h[number - 1])),
        "policy": POLICIES[scenario.policy],
        "strips_per_turn": STRIPS_PER_TURN,
    }
