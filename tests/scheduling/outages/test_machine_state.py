"""How a machine is: what is said of it first, and whether somebody must look."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest

from scheduling.log.models import Heartbeat, Machine, Run
from scheduling.outages.machine_state import MachineState, knife_wants_arming, machine_state
from scheduling.paper.printing_now import PrintingNow
from scheduling.queries.machine_context import MachineContext, machine_context
from tests.scheduling.house import NOON

pytestmark = pytest.mark.django_db

SILENT: dict[str, Any] = {"silent_since": NOON}
HELD: dict[str, Any] = {"hold": "paused", "held_since": NOON}
ENDED: dict[str, Any] = {"stopped_at": NOON}
CUT = Run(id="first", strips_per_turn=12)


def seen(is_heard: bool = True, **machine: Any) -> MachineContext:
    row = Machine(id="one", **{"epoch": 1, "last_reported_at": NOON} | machine)
    if is_heard:
        Heartbeat.objects.create(machine_id="one", heard_at=NOON, status={})
    return machine_context(row, NOON + timedelta(hours=1))


def printing(due: int | None = 5, head: int | None = None) -> PrintingNow:
    return PrintingNow(run=CUT, segment=None, due=due, head=head, plate=None)


@pytest.mark.parametrize(
    ("machine", "now", "kind"),
    [
        ({}, printing(), "printing"),
        ({}, printing(head=2), "late"),
        ({}, printing(due=None), "not-due"),
        ({}, None, "no-run"),
        (HELD, printing(head=2), "held"),
        (SILENT | HELD, printing(), "silent"),
        (ENDED | SILENT | HELD, printing(), "ended"),
        (ENDED | SILENT | HELD, None, "no-run"),
        ({"epoch": 0} | HELD, printing(), "no-node"),
        ({"is_heard": False, "last_reported_at": None, "epoch": 0} | SILENT, printing(), "never-heard"),
        ({"is_heard": False, "last_reported_at": None} | SILENT, printing(), "never-heard"),
    ],
)
def test_what_weighs_most_is_said(machine: dict[str, Any], now: PrintingNow | None, kind: str) -> None:
    assert machine_state(seen(**machine), now).kind == kind


def test_a_machine_that_prints_wants_no_look() -> None:
    assert machine_state(seen(), printing()) == MachineState(
        kind="printing", is_printing=True, is_silent=False, is_missed=False, is_ended=False, wants_look=False
    )


@pytest.mark.parametrize(
    ("machine", "wants_look"),
    [(HELD, False), (HELD | {"hold": "fault"}, True), (HELD | {"hold": "unplanned-stop"}, True), (SILENT, True)],
)
def test_who_holds_it_there_has_looked(machine: dict[str, Any], wants_look: bool) -> None:
    found = machine_state(seen(**machine), printing())
    assert (found.wants_look, found.is_printing) == (wants_look, False)


def test_a_board_that_was_ended_is_missed_only_while_something_is_due() -> None:
    one = seen(**ENDED)
    missed = machine_state(one, printing())
    assert (missed.wants_look, missed.is_printing) == (True, False)
    assert not machine_state(one, printing(due=None)).wants_look


def test_a_machine_that_was_never_heard_does_not_print() -> None:
    assert not machine_state(seen(is_heard=False, last_reported_at=None), printing()).is_printing


def test_a_server_that_was_put_back_has_heard_its_reports() -> None:
    one = seen(is_heard=False, **SILENT)
    assert (one.heard_at, machine_state(one, printing()).kind) == (NOON, "silent")


@pytest.mark.parametrize(
    ("machine", "run", "wants"),
    [
        ({}, CUT, True),
        ({"knife_armed": True}, CUT, False),
        (HELD, CUT, False),
        ({"epoch": 0}, CUT, False),
        ({}, Run(id="first", strips_per_turn=0), False),
        ({}, None, False),
    ],
)
def test_a_knife_wants_arming_where_strips_are_left_hanging(
    machine: dict[str, Any], run: Run | None, wants: bool
) -> None:
    assert knife_wants_arming(seen(**machine), run) is wants
