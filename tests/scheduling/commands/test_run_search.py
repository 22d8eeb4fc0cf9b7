"""A run that is sought: what is found agrees with what a run that was planned so then does."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from machines.errors import InputError
from machines.serialization import parse_instant, structure
from scheduling.commands import handlers
from scheduling.commands.preview_run import check_run
from scheduling.commands.run_search import RunSearch, SeekRun, SoughtRun, seek_run
from scheduling.commands.run_wishes import Wish
from scheduling.log.models import Event, Machine, Run
from scheduling.paper.next_passage import PassageQuery
from scheduling.paper.passages import passages_between
from scheduling.queries.machine_context import machine_context
from tests.scheduling.house import NOON, furnish, order, plan, run_order

pytestmark = pytest.mark.django_db

OPENS = datetime(2026, 11, 5, 18, tzinfo=UTC)
SHORT_ROLL = {"width_mm": 30.0, "caliper_mm": 0.1, "roll_m": 1.0}  # 8 days and 8 hours
BURST = timedelta(minutes=24)
ENDS_AT = NOON + timedelta(days=20)
DAY: dict[str, Any] = {"cycle": "period", "cycle_options": {"seconds": 86400.0, "epoch": "2026-01-01T00:00:00Z"}}
TUESDAYS: dict[str, Any] = {"kind": "changes-within", "weekdays": [2], "opens": "09:00", "closes": "10:00"}


def sought(*wishes: dict[str, Any], days: float = 7.0, strips: tuple[int, ...] = (), **fields: Any) -> SeekRun:
    """Begun within some days from noon."""
    run = run_order(ends_at=ENDS_AT.isoformat(), **fields)
    span = {"earliest": NOON.isoformat(), "latest": (NOON + timedelta(days=days)).isoformat()}
    return structure(span | {"run": run, "wishes": list(wishes), "strips_per_turn": list(strips)}, SeekRun)


def seek(*wishes: dict[str, Any], **fields: Any) -> RunSearch:
    return seek_run(sought(*wishes, **fields), NOON)


def wish(kind: str, at: datetime = OPENS, **fields: Any) -> dict[str, Any]:
    return {"kind": kind, "at": at.isoformat()} | fields


def planned(found: SoughtRun, **fields: Any) -> Run:
    """As it was found."""
    said = {"starts_at": found.starts_at.isoformat(), "ends_at": ENDS_AT.isoformat()}
    plan(**said, strips_per_turn=found.strips_per_turn, **fields | {"cycle_options": found.cycle_options})
    run = Run.objects.get()
    assert (run.first_column, run.end_column) == (found.first_column, found.end_column)
    return run


def passages(begins: datetime, ends: datetime, phase: float) -> list[Any]:
    context = machine_context(Machine.objects.get(), NOON)
    return passages_between(context, PassageQuery(phase=phase), begins, ends, 50)


def window(weekday: str, begins: str = "09:00", ends: str = "09:30") -> None:
    comes = {"kind": "weekly", "weekday": weekday, "begins": begins, "ends": ends}
    order(handlers.FixServiceWindow, id=weekday, venue="shed", name=weekday.title(), comes=comes)


def test_the_sky_is_not_moved_by_a_beginning_and_the_nearest_passage_is_told() -> None:
    furnish()
    found = seek(wish("place-at-head", phase=0.25))
    best = found.answers[0]
    planned(best)
    laid = [one.laid for one in passages(OPENS - timedelta(days=2), OPENS + timedelta(days=2), 0.25)]
    nearest = min(laid, key=lambda one: max(one.begins_at - OPENS, OPENS - one.ends_at))
    off = max(nearest.begins_at - OPENS, OPENS - nearest.ends_at)
    assert not best.wishes[0].kept and best.wishes[0].at == nearest.begins_at
    assert best.off_h == best.wishes[0].off_h == pytest.approx(off / timedelta(hours=1))
    assert {one.off_h for one in found.answers} == {best.off_h}
    assert "h before the wish" in best.wishes[0].in_words or "h after the wish" in best.wishes[0].in_words


def test_the_epoch_of_a_period_is_moved_to_where_the_instant_wants_it() -> None:
    furnish()
    best = seek(wish("place-at-head", phase=0.25), **DAY).answers[0]
    assert best.wishes[0].kept and best.off_h == 0.0
    assert best.cycle_options["seconds"] == 86400.0
    assert parse_instant(best.cycle_options["epoch"]) != parse_instant(DAY["cycle_options"]["epoch"])
    planned(best, cycle="period")
    (laid,) = [one.laid for one in passages(OPENS - BURST, OPENS + BURST, 0.25)]
    assert laid.begins_at <= OPENS < laid.ends_at


def test_a_strip_falls_when_it_is_wished_by_another_count_of_strips() -> None:
    """Of one strip a turn one falls a day; of twelve every two hours; of sixty every 24 minutes, as bursts do."""
    furnish()
    found = seek(wish("strip-falls"), strips=(1, 60), strips_per_turn=12)
    best = found.answers[0]
    assert (best.strips_per_turn, best.wishes[0].kept) == (60, True)
    by_strips = {one.strips_per_turn: one.off_h for one in seek(wish("strip-falls"), days=0.0, strips=(1, 60)).answers}
    assert by_strips[60] == 0.0 < by_strips[12] <= 1.0 < by_strips[1] <= 12.0


def test_a_place_is_in_sight_only_of_a_run_that_laid_it_before() -> None:
    """The way to the knife is 20 columns, two hours: it must have been laid in those before the instant."""
    furnish()
    plan(ends_at=ENDS_AT.isoformat())
    last = passages(OPENS - timedelta(days=1), OPENS, 0.7)[-1].laid.begins_at
    at = last + timedelta(hours=1)
    Run.objects.all().delete()
    found = seek(wish("place-in-sight", at, phase=0.7), days=(at - NOON) / timedelta(days=1))
    assert found.answers[0].wishes[0].kept
    late = structure(
        {
            "run": run_order(ends_at=ENDS_AT.isoformat()),
            "earliest": (last + timedelta(minutes=30)).isoformat(),
            "latest": at.isoformat(),
            "wishes": [wish("place-in-sight", at, phase=0.7)],
        },
        SeekRun,
    )
    (never, *_) = seek_run(late, NOON).answers
    assert not never.wishes[0].kept
    assert never.wishes[0].off_h == pytest.approx(23.0, abs=0.5)  # a turn later


def test_a_roll_is_changed_on_a_tuesday_by_a_beginning_that_its_check_confirms() -> None:
    furnish(media=SHORT_ROLL)
    window("tuesday")
    window("friday")
    found = seek(TUESDAYS)
    best = found.answers[0]
    assert best.off_h == 0.0 and "each as wished" in best.wishes[0].in_words
    command: Any = structure(
        run_order(starts_at=best.starts_at.isoformat(), ends_at=ENDS_AT.isoformat()), handlers.PlanRun
    )
    changed = [one.end.change.window for one in check_run(command, NOON, None).ends]
    assert changed and {one.name for one in changed if one is not None} == {"Tuesday"} and None not in changed
    worst = seek(TUESDAYS | {"weekdays": [3]}).answers[0]
    assert not worst.wishes[0].kept and worst.off_h in (24.0, 48.0, 72.0)


def test_nothing_is_changed_in_a_span_in_which_nobody_may_come() -> None:
    furnish(media=SHORT_ROLL)
    window("tuesday")
    window("friday")
    lisbon = ZoneInfo("Europe/Lisbon")
    begins, ends = (datetime(2026, 11, day, 0, tzinfo=lisbon) for day in (6, 9))
    closed = {"kind": "no-change-between", "begins_at": begins.isoformat(), "ends_at": ends.isoformat()}
    found = seek(closed)
    assert found.answers[0].wishes[0].kept
    everything = seek(closed | {"begins_at": NOON.isoformat(), "ends_at": ENDS_AT.isoformat()}).answers[0]
    assert not everything.wishes[0].kept and "roll: in " in everything.wishes[0].in_words


def test_a_wish_that_weighs_more_is_kept_first() -> None:
    """Two instants half a turn apart, each wanted for the same place of a period."""
    furnish()
    early, late = (wish("place-at-head", OPENS + timedelta(hours=hours), phase=0.5) for hours in (0, 12))
    for weights, kept in (((9.0, 1.0), [True, False]), ((1.0, 9.0), [False, True])):
        wishes = [one | {"weight": weight} for one, weight in zip((early, late), weights, strict=True)]
        assert [one.kept for one in seek(*wishes, **DAY).answers[0].wishes] == kept


def test_beginnings_that_cannot_be_planned_are_counted_and_the_first_says_why() -> None:
    furnish()
    plan(id="other", ends_at=(NOON + timedelta(days=3)).isoformat())
    found = seek(wish("place-at-head", phase=0.25))
    assert 0 < found.refused < found.tried
    assert found.why_refused is not None and found.why_refused.startswith("the machine is on run 'other' until ")
    assert found.refused_field == "starts_at"
    assert all(one.starts_at >= NOON + timedelta(days=3) for one in found.answers)
    assert len({one.starts_at.date() for one in found.answers}) == len(found.answers) > 1


def test_a_period_is_sought_though_its_earliest_beginning_cannot_be_planned() -> None:
    furnish()
    plan(id="other", ends_at=(NOON + timedelta(days=3)).isoformat())
    found = seek(wish("place-at-head", phase=0.25), **DAY, starts_at=(NOON + timedelta(days=4)).isoformat())
    assert found.refused > 0
    assert found.answers[0].wishes[0].kept


def test_no_beginning_is_proposed_that_is_past() -> None:
    """An order would be refused, unless it says that it is to begin in the past."""
    furnish()
    now = NOON + timedelta(days=2)
    wishes = [wish("place-at-head", phase=0.25)]
    found = seek_run(sought(*wishes), now)
    assert found.refused > 0 and found.why_refused is not None and "past" in found.why_refused
    assert all(one.starts_at >= now - timedelta(minutes=1) for one in found.answers)
    assert not seek_run(sought(*wishes, begins_in_the_past=True), now).refused


def test_changes_are_looked_at_to_the_end_of_a_run() -> None:
    """Of rolls that last two days some thirty end in two months; the check of an order tells 24."""
    furnish(media=SHORT_ROLL | {"roll_m": 0.24})
    window("tuesday")
    last_week = {
        "kind": "no-change-between",
        "begins_at": (NOON + timedelta(days=55)).isoformat(),
        "ends_at": (NOON + timedelta(days=58)).isoformat(),
    }
    body = {
        "run": run_order(ends_at=(NOON + timedelta(days=60)).isoformat()),
        "earliest": NOON.isoformat(),
        "latest": NOON.isoformat(),
        "wishes": [last_week],
    }
    assert not seek_run(structure(body, SeekRun), NOON).answers[0].wishes[0].kept


@pytest.mark.parametrize("strips", [(), (1, 2, 3, 4)])
def test_no_more_is_tried_than_is_looked_at_in_a_moment(strips: tuple[int, ...]) -> None:
    """Half a year, with every count of strips and an epoch for each of eight instants."""
    furnish()
    asked = sought(*[wish("place-at-head", phase=part / 8) for part in range(8)], days=1.0, strips=strips, **DAY)
    ends = replace(asked.run, ends_at=NOON + timedelta(days=400))
    found = seek_run(replace(asked, run=ends, latest=NOON + timedelta(days=198)), NOON)
    assert 9 * (1 + len(strips)) <= found.tried <= 240
    assert found.step_s % 86_400 == 0


def test_nothing_is_written() -> None:
    furnish()
    before = Event.objects.count()
    assert seek(wish("strip-falls"), TUESDAYS).answers
    assert (Event.objects.count(), Run.objects.count()) == (before, 0)


@pytest.mark.parametrize(
    "fields, field",
    [
        ({"kind": "place-at-head", "at": OPENS.isoformat()}, "longitude"),
        ({"kind": "place-at-head", "phase": 0.5}, "at"),
        ({"kind": "strip-falls", "at": OPENS.isoformat(), "phase": 0.5}, "kind"),
        ({"kind": "changes-within", "at": OPENS.isoformat()}, "at"),
        ({"kind": "changes-within", "opens": "9 am"}, "opens"),
        ({"kind": "changes-within", "opens": "10:00", "closes": "09:00"}, "closes"),
        ({"kind": "changes-within", "weekdays": [0]}, "weekdays"),
        ({"kind": "changes-within", "weekdays": []}, "weekdays"),
        ({"kind": "no-change-between", "begins_at": OPENS.isoformat()}, "ends_at"),
        ({"kind": "no-change-between", "begins_at": OPENS.isoformat(), "ends_at": NOON.isoformat()}, "ends_at"),
        ({"kind": "changes-within", "weight": 0.0}, "weight"),
        ({"kind": "changes-within", "within_s": -1.0}, "within_s"),
    ],
)
def test_a_wish_that_cannot_be_read_names_its_field(fields: dict[str, Any], field: str) -> None:
    with pytest.raises(InputError) as refused:
        structure(fields, Wish)
    assert refused.value.field == field


def test_a_wish_that_the_machine_cannot_keep_is_refused() -> None:
    furnish(knife=None)
    with pytest.raises(InputError, match="the machine has no knife") as refused:
        seek(wish("strip-falls"), strips_per_turn=0)
    assert refused.value.field == "wishes[0].kind"


@pytest.mark.parametrize(
    "fields, field",
    [
        ({"latest": (NOON - timedelta(hours=1)).isoformat()}, "latest"),
        ({"latest": (NOON + timedelta(days=300)).isoformat()}, "latest"),
        ({"latest": ENDS_AT.isoformat()}, "latest"),
        ({"wishes": []}, "wishes"),
        ({"wishes": [TUESDAYS] * 9}, "wishes"),
        ({"strips_per_turn": [1, 2, 3, 4, 5]}, "strips_per_turn"),
    ],
)
def test_a_search_that_cannot_be_made_names_its_field(fields: dict[str, Any], field: str) -> None:
    body = {
        "run": run_order(ends_at=ENDS_AT.isoformat()),
        "earliest": NOON.isoformat(),
        "latest": (NOON + timedelta(days=7)).isoformat(),
        "wishes": [TUESDAYS],
    }
    with pytest.raises(InputError) as refused:
        structure(body | fields, SeekRun)
    assert refused.value.field == field
