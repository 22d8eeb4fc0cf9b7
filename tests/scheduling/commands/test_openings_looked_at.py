"""What a change of an opening asks whether it is meant, of what speaks against it, and what it only tells."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest

from scheduling.commands.additions import FixOpening
from scheduling.commands.changes import Preview
from scheduling.commands.openings import change_opening, preview_opening
from scheduling.log.models import Opening
from scheduling.log.store import stream_version
from tests.scheduling.house import NOON, furnish, order, plan

pytestmark = pytest.mark.django_db
HOUR = timedelta(hours=1)
ANCHOR = {"civil": "2026-10-25T12:00", "zone": "Europe/Lisbon"}
FALL = "cut off at One while the doors are open."


@pytest.fixture(autouse=True)
def on_its_way() -> None:
    """A run from noon until six in the evening of the next day, when the doors open at noon, for an hour."""
    furnish({"kind": "map", "data": "land-110m"})
    plan()
    order(FixOpening, **said())


def said(**more: Any) -> dict[str, Any]:
    return {"id": "doors", "venue": "shed", "name": "Doors", "anchor": ANCHOR, "closing": {"duration": "PT1H"}} | more


def changed(**more: Any) -> Preview:
    row = Opening.objects.get()
    return change_opening(row, FixOpening(**said(**more)), NOON, stream_version("opening/doors")).preview


def kinds(preview: Preview) -> list[str]:
    return [one.kind for one in preview.warnings]


def test_a_later_closing_is_looked_at() -> None:
    assert kinds(changed(closing={"duration": "PT8H"})) == ["run-ends"]
    assert kinds(changed(closing={"duration": "PT5H"})) == []


def test_what_ends_earlier_or_is_only_named_otherwise_is_not() -> None:
    order(FixOpening, **said(id="long", closing={"duration": "PT9H"}))
    row = Opening.objects.get(id="long")
    for more in ({"closing": {"duration": "PT8H"}}, {"closing": {"duration": "PT9H"}, "name": "Doors again"}):
        command = FixOpening(**said(id="long", **more))
        assert kinds(change_opening(row, command, NOON, stream_version("opening/long")).preview) == []


def test_strips_that_fall_meanwhile_are_told_and_not_asked_about() -> None:
    later = changed(closing={"duration": "PT5H"})
    assert any(FALL in one for one in later.in_words) and not later.warnings
    before = preview_opening(FixOpening(**said(id="other", closing={"duration": "PT5H"})), NOON)
    assert any(FALL in one for one in before.in_words) and not before.warnings


def test_a_move_is_asked_about_where_something_speaks_against_it() -> None:
    moved = changed(anchor={"civil": "2026-10-26T12:00", "zone": "Europe/Lisbon"})
    assert kinds(moved) == ["no-run"]
