"""What the console says of the changes to come at a machine, and of the service windows for them."""

from __future__ import annotations

from datetime import timedelta

import pytest

from scheduling.log.models import Machine
from scheduling.queries.machine_context import machine_context
from server import wiring
from server.console.machine_card import station
from tests.server.console.test_first_page import page
from tests.server.studio import IN_ORDER, SERVICE_WINDOW, Caller, HeldClock, changed


@pytest.fixture
def short(studio: Caller) -> Caller:
    """A roll of 0.3 m: 2.5 turns, until the night of Sunday 22 March 2026."""
    for resource, body in IN_ORDER:
        studio.create(resource, changed(body, "profile.media.roll_m", 0.3) if resource == "profiles" else body)
    return studio


def told() -> tuple[tuple[str, str], ...]:
    return station(machine_context(Machine.objects.get(), wiring.now())).changes


def test_a_roll_that_ends_soon_is_changed_in_its_service_window(short: Caller, clock: HeldClock) -> None:
    weekly = {"kind": "weekly", "weekday": "saturday", "begins": "10:00", "ends": "11:30"}
    short.create("service-windows", SERVICE_WINDOW | {"name": "Saturday <rounds>", "comes": weekly})
    said = "in Saturday <rounds>, between 10:00 and 11:30 on Sat 21 Mar 2026"
    assert told() == (("Change the roll", said),)
    shown = page()
    assert f"<dt>Change the roll</dt><dd>{said.replace('<', '&lt;').replace('>', '&gt;')}</dd>" in shown


def test_without_a_window_that_is_said(short: Caller, clock: HeldClock) -> None:
    ((what, said),) = told()
    assert what == "Change the roll"
    assert said == "before 00:03 on Mon 23 Mar 2026; no service window by then"


def test_what_ends_long_from_now_is_not_spoken_of_yet(short: Caller, clock: HeldClock) -> None:
    clock.at -= timedelta(days=60)
    assert told() == ()


def test_a_machine_without_anything_to_change_says_nothing(furnished: Caller, clock: HeldClock) -> None:
    assert told() == ()
    assert "Change the" not in page()
