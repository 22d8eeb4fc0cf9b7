"""What speaks against an opening, and the notices that come and go with it."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from machines.chance import SYSTEM
from machines.protocol.journal_entries import OperatorActed
from scheduling.answers.opening_concerns import Concern, Doors, doors_of, opening_concerns
from scheduling.answers.watch_openings import watch_openings
from scheduling.commands.additions import FixOpening, FixServiceWindow
from scheduling.commands.changes import make
from scheduling.commands.openings import call_off_opening, preview_opening
from scheduling.log.models import Event, Heartbeat, Machine, Notice, Opening, Run
from scheduling.log.projections.notices import OPENING
from scheduling.log.store import stream_version
from scheduling.nodes.reports import take
from scheduling.planning.opening_hours import Hours, OpenSpan, Week
from scheduling.queries.machine_context import machine_context
from scheduling.rendering.plate_store import PlateStore
from tests.scheduling.house import (
    NOON,
    batch,
    by,
    end_run_after,
    furnish,
    order,
    plan,
    ready,
    set_hours,
)

pytestmark = pytest.mark.django_db
HOUR = timedelta(hours=1)
MAP = {"kind": "map", "data": "land-110m"}
# Doors open on the next day at noon; the run lasts until six in the evening.
OPENS = NOON + 24 * HOUR


def found(opens: datetime = OPENS, closes: datetime | None = None, now: datetime = NOON) -> tuple[Concern, ...]:
    return opening_concerns(machine_context(Machine.objects.get(), now), Doors(opens_at=opens, closes_at=closes))


def kinds(*asked: Any, **more: Any) -> list[str]:
    return [one.kind for one in found(*asked, **more)]


def on_its_way(**run: Any) -> None:
    furnish(MAP)
    plan(**run)


def opening(**more: Any) -> Opening:
    """The doors of the shed open at noon of the next day, by its clock; Lisbon goes back to UTC that night (IANA)."""
    anchor = {"civil": "2026-10-25T12:00", "zone": "Europe/Lisbon"}
    order(FixOpening, **({"id": "doors", "venue": "shed", "name": "Doors", "anchor": anchor} | more))
    return Opening.objects.get(id="doors")


def told() -> list[str]:
    return list(Notice.objects.filter(kind=OPENING, cleared_at=None).values_list("said", flat=True))


def test_nothing_speaks_against_what_is_planned() -> None:
    on_its_way()
    assert found() == ()


def test_of_one_that_is_past_nothing_is_said() -> None:
    furnish(MAP)
    plan()
    assert found(NOON - 3 * HOUR) == () and kinds(NOON + 40 * HOUR, now=NOON + 50 * HOUR) == []


def test_of_one_that_nobody_said_the_end_of_it_is_said_for_an_evening() -> None:
    furnish(MAP)
    plan()
    opens = NOON + 40 * HOUR
    assert kinds(opens, now=opens + HOUR) == ["no-run"] and kinds(opens, now=opens + 3 * HOUR) == []
    ends_at = Run.objects.get().ends_at
    (ends,) = found(ends_at - HOUR)
    assert ends.kind == "run-ends" and "while the doors may still be open, and it is on none then." in ends.in_words


def test_no_run_then() -> None:
    furnish(MAP)
    (none,) = found()
    assert (none.in_words, none.is_amiss) == ("No run is planned at One yet.", False)
    assert not none.leaves_it_well, "it never printed anything, nor will it"
    plan()
    assert kinds(NOON + 40 * HOUR) == ["no-run"]


def test_the_run_ends_while_the_doors_are_open() -> None:
    on_its_way()
    (ends, *_) = found(OPENS, NOON + 31 * HOUR)
    assert ends.kind == "run-ends" and "ends at 2026-10-25 18:0" in ends.in_words
    assert ends.in_words.endswith(", before the doors close, and it is on none then.")
    assert "run-ends" not in kinds(OPENS, NOON + 29 * HOUR)


def test_a_run_until_the_doors_close_is_long_enough() -> None:
    on_its_way()
    assert "run-ends" not in kinds(OPENS, Run.objects.get().ends_at)


def test_between_two_runs_it_is_on_none() -> None:
    """The other begins at 20:00, when clocks are at UTC there (IANA)."""
    on_its_way()
    plan(id="second", starts_at=(NOON + 32 * HOUR).isoformat(), ends_at=(NOON + 60 * HOUR).isoformat())
    (gap,) = (one for one in found(OPENS, NOON + 33 * HOUR) if one.is_amiss)
    assert gap.kind == "run-ends" and gap.in_words.endswith("and it is on none then until 2026-10-25 20:00.")
    (ends,) = (one for one in found(OPENS, NOON + 31 * HOUR) if one.is_amiss)
    assert ends.in_words.endswith("and it is on none then."), "the next begins after they close"


def test_a_run_that_goes_on_from_another_leaves_no_gap() -> None:
    on_its_way()
    first = Run.objects.get()
    plan(id="second", starts_at=first.ends_at.isoformat(), ends_at=(NOON + 60 * HOUR).isoformat())
    assert Run.objects.get(id="second").starts_at == first.ends_at
    assert "run-ends" not in kinds(OPENS, NOON + 33 * HOUR)


def test_the_run_rests_then() -> None:
    furnish(MAP)
    set_hours("shed", Hours(week=Week(saturday=(OpenSpan(opens="00:00", closes="24:00"),))), by())
    plan(only_while_open=True)
    assert "rests" in kinds() and "rests" not in kinds(NOON + 6 * HOUR)


def test_the_run_rests_before_the_doors_close() -> None:
    furnish(MAP)
    set_hours("shed", Hours(week=Week(sunday=(OpenSpan(opens="00:00", closes="15:00"),))), by())
    plan(only_while_open=True)
    (rests,) = (one for one in found(OPENS, OPENS + 4 * HOUR) if one.kind == "rests")
    begins = "Run first of One rests from 2026-10-25 15:00 on, before the doors close"
    assert rests.in_words == f"{begins}: people hold it, or the venue is closed."
    assert "rests" not in kinds(OPENS, OPENS + 3 * HOUR), "it rests just as they close"


def test_it_is_catching_up_still(tmp_path: Path) -> None:
    """Forty columns an hour are its highest, and ten an hour come due: of 70 an hour later 26 are missing."""
    ready(tmp_path, policy={"kind": "replay"})
    run, now = Run.objects.get(), NOON + 6 * HOUR
    status = {"at": now.isoformat(), "next_column": run.first_column, "paper_position": 0, "clock_error_s": 0.01}
    Heartbeat.objects.create(machine_id="one", heard_at=now, status=status | {"knife_armed": True, "held_until": None})
    late = next(one for one in found(now + HOUR, now=now) if one.kind == "late")
    assert late.in_words.startswith("One is still catching up then: 1") and "mm" not in late.lasting
    assert "late" not in kinds(now + 4 * HOUR, now=now)


def test_not_all_that_hangs_is_printed_by_then() -> None:
    """The knife is twenty columns from the head, two hours of the run."""
    on_its_way()
    (blank,) = found(NOON + HOUR)
    assert blank.kind == "not-full"
    assert blank.in_words == "4 mm of the 10 mm between head and knife of One are blank then."
    assert kinds(NOON + 3 * HOUR) == []


def test_strips_that_fall_while_the_doors_are_open_are_only_to_be_known() -> None:
    on_its_way()
    (fall,) = found(OPENS, OPENS + 4 * HOUR)
    assert (fall.kind, fall.is_amiss) == ("cut-within", False)
    told = "2 strips are cut off at One while the doors are open."
    assert fall.in_words == f"{told} Its knife is off: until somebody arms it, nothing is."
    Machine.objects.update(knife_armed=True)
    (fall,) = found(OPENS, OPENS + 4 * HOUR)
    assert fall.in_words == told


def test_a_roll_that_ends_before_and_that_nobody_comes_to_change() -> None:
    """A metre of paper lasts for 2,000 columns; of 120 mm a day the roll lasts eight."""
    roll = {"width_mm": 30.0, "caliper_mm": 0.1, "roll_m": 1.0}
    furnish(MAP, media=roll, knife={"head_to_knife_mm": 10.0, "cuts_per_blade": 9000})
    plan(ends_at=(NOON + 480 * HOUR).isoformat())
    assert "supply" not in kinds(NOON + 150 * HOUR)
    (ends,) = (one for one in found(NOON + 300 * HOUR) if one.kind == "supply")
    assert "no service window before the roll ends" in ends.in_words
    comes = {"kind": "once", "anchor": {"civil": "2026-10-29T09:00", "zone": "Europe/Lisbon"}, "minutes": 60}
    order(FixServiceWindow, id="hands", venue="shed", name="Hands", comes=comes)
    assert "supply" not in kinds(NOON + 300 * HOUR)


def test_what_it_was_named_by_is_planned_otherwise() -> None:
    on_its_way()
    anchor = {"under_head": {"machine": "one", "longitude": 15.0}, "date": "2026-10-25"}
    row = opening(anchor=anchor)
    doors = doors_of(row.opens_at, row.closes_at, row.anchor, row.closing)
    context = machine_context(Machine.objects.get(), NOON)
    assert opening_concerns(context, doors) == ()
    later = replace(doors, opens_at=doors.opens_at + HOUR, anchors=((anchor, doors.opens_at + HOUR),))
    assert [one.kind for one in opening_concerns(context, later)] == ["named-otherwise"]
    end_run_after(5.0)
    context = machine_context(Machine.objects.get(), NOON)
    assert [one.kind for one in opening_concerns(context, doors)] == ["no-run", "named-otherwise"]


def test_a_strip_that_would_be_cut_then_if_the_knife_were_armed() -> None:
    on_its_way()
    row = opening(anchor={"strip_cut": {"run": "first", "boundary": 3}})
    doors = doors_of(row.opens_at, row.closes_at, row.anchor, row.closing)
    assert [one.kind for one in opening_concerns(machine_context(Machine.objects.get(), NOON), doors)] == ["knife-off"]


def test_before_it_is_fixed_it_is_told() -> None:
    on_its_way()
    command = FixOpening(
        id="doors", venue="shed", name="Doors", anchor={"civil": "2026-10-26T12:00", "zone": "Europe/Lisbon"}
    )
    preview = preview_opening(command, NOON)
    assert [one.kind for one in preview.warnings] == ["no-run"]
    assert not Opening.objects.exists()


def test_a_notice_comes_with_what_is_amiss_and_goes_when_it_is_well(tmp_path: Path) -> None:
    plates: PlateStore = ready(tmp_path)
    assert plates is not None
    opening()
    assert watch_openings(NOON) == 0 and told() == []
    end_run_after(5.0)
    assert watch_openings(NOON + HOUR) == 1
    assert told() == ["Doors, 2026-10-25 12:00 there: One is on no run then."]
    events = Event.objects.count()
    assert watch_openings(NOON + 2 * HOUR) == 0 and Event.objects.count() == events, "it is told once"
    plan(id="second", starts_at=(NOON + 8 * HOUR).isoformat(), ends_at=(NOON + 40 * HOUR).isoformat())
    assert watch_openings(NOON + 3 * HOUR) == 1 and told() == []
    (notice,) = Notice.objects.filter(kind=OPENING)
    assert (notice.opening, notice.cleared_at) == ("doors", NOON + 3 * HOUR)


def test_a_notice_stays_while_the_doors_are_open_as_long_as_is_usual(tmp_path: Path) -> None:
    ready(tmp_path)
    opening()
    end_run_after(5.0)
    assert watch_openings(OPENS + HOUR) == 1
    assert told() == ["Doors, 2026-10-25 12:00 there: One is on no run then."]
    assert watch_openings(OPENS + 3 * HOUR) == 1 and told() == []


def test_it_says_what_is_amiss_as_that_changes(tmp_path: Path) -> None:
    ready(tmp_path)
    opening()
    stop = OperatorActed(seq=1, at=NOON, action="pause", seen_done=True)
    take("one", batch(stop), by())
    assert watch_openings(NOON + HOUR) == 1
    (said,) = told()
    assert "stands now" in said
    end_run_after(5.0)
    assert watch_openings(NOON + HOUR) == 1
    assert told() == ["Doors, 2026-10-25 12:00 there: One is on no run then."]
    assert Notice.objects.filter(kind=OPENING).count() == 1


@pytest.mark.parametrize("over", ["called off", "past"])
def test_one_that_is_over_or_called_off_is_no_notice_any_more(tmp_path: Path, over: str) -> None:
    ready(tmp_path)
    row = opening()
    end_run_after(5.0)
    assert watch_openings(NOON) == 1
    now = NOON + HOUR
    if over == "past":
        now = NOON + 28 * HOUR
    else:
        make(call_off_opening(row, now, stream_version("opening/doors")), None, by(), SYSTEM, accepted=True)
    assert watch_openings(now) == 1 and told() == []


def test_what_is_far_off_is_no_notice_yet(tmp_path: Path) -> None:
    ready(tmp_path)
    opening(anchor={"civil": "2026-12-25T12:00", "zone": "Europe/Lisbon"})
    assert watch_openings(NOON) == 0
    assert watch_openings(NOON + 40 * 24 * HOUR) == 1
