"""A run of the log rehearsed: from its machine's parts, its venue's calendar and its own log."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from machines.errors import InputError
from machines.serialization import unstructure
from scheduling.commands.openings import FixOpening
from scheduling.commands.service_windows import FixServiceWindow
from scheduling.log.models import Machine, Run, Venue
from scheduling.nodes.reports import take
from scheduling.outages.imagined import RunThere
from scheduling.planning.days_spans import DAYS
from scheduling.planning.opening_hours import Hours, OpenSpan, Week
from scheduling.planning.quiet_hours import QuietHours, QuietSpan, QuietWeek
from scheduling.queries.machine_context import machine_context
from scheduling.rehearsal.assumed import changed
from scheduling.rehearsal.log_rates import printing_days, rates_of
from scheduling.rehearsal.of_run import RunInNumbers
from scheduling.rehearsal.rates import INCIDENTS, Rate, Rates
from scheduling.rehearsal.rehearse import Asked, rehearse
from scheduling.rehearsal.told import Rehearsed
from scheduling.rendering.plate_store import PlateStore
from scheduling.supplies.left_out import columns_in, left_out
from tests.scheduling.commands.test_override import settled
from tests.scheduling.house import NOON, batch, by, furnish, long_after, order, plan, ready, set_hours, started

pytestmark = pytest.mark.django_db
FEW = Asked(seasons=400, seed=1)
ALONE = Asked(seasons=100, compare=False)


def at(hours: float) -> datetime:
    return NOON + timedelta(hours=hours)


def calendar() -> None:
    """Open from nine to nine, staff on Tuesdays, an opening on the fifth evening."""
    set_hours("shed", Hours(week=Week(**dict.fromkeys(DAYS, (OpenSpan(opens="09:00", closes="21:00"),)))), by())
    comes = {"kind": "weekly", "weekday": "tuesday", "begins": "09:00", "ends": "11:00"}
    order(FixServiceWindow, id="rounds", venue="shed", name="Rounds", comes=comes)
    anchor = {"civil": "2026-10-29T19:00:00", "zone": "Europe/Lisbon"}
    order(FixOpening, id="night", venue="shed", name="The night", anchor=anchor)


def numbers(now: datetime = NOON - timedelta(days=1), plates: Path = Path("/nowhere")) -> RunInNumbers:
    return RunInNumbers(
        RunThere(machine_context(Machine.objects.get(id="one"), now), Run.objects.get()), now, PlateStore(plates)
    )


def played(rates: Rates = Rates(), asked: Asked = FEW, **of: Any) -> Rehearsed:  # noqa: B008
    return rehearse(numbers(**of), rates, asked)


def never() -> Rates:
    """Nothing goes wrong."""
    nothing = {f"{name}_every_days": 0.0 for name in INCIDENTS}
    return changed(Rates(), nothing | {"late_share": 0.0, "change_minutes": 0.1})


def test_a_run_is_played_by_its_own_calendar(tmp_path: Path) -> None:
    plates = ready(tmp_path, ends_at=(NOON + timedelta(days=28)).isoformat())
    calendar()
    found = rehearse(numbers(plates=tmp_path), Rates(), FEW)
    assert (found.run, found.seasons, found.seed) == ("first", 400, 1)
    assert [one.id for one in found.openings] == ["night"]
    assert 0.5 < found.openings[0].odds.right < 1.0
    p = (400 * found.openings[0].odds.right + 2) / 404
    assert found.openings[0].doubt == pytest.approx(2 * (p * (1 - p) / 404) ** 0.5)
    assert found.paper_m.mean == pytest.approx(28 * 0.12, rel=0.05)
    assert found.ink_ml is not None and found.ink_ml.middle > 0.0
    assert {one.kind for one in found.compared} == {"policy", "service", "without"}
    assert [one.name for one in found.compared if one.kind == "service"] == list(DAYS)
    assert sum(bar.share for bar in found.off_bars) == pytest.approx(1.0)
    assert all(one.source for one in found.assumptions) and found.not_modelled
    assert any("in the hours of The shed" in one.in_words for one in found.assumptions)
    assert plates is not None


def test_what_moves_the_odds_is_played_by_the_same_chance(db: None) -> None:
    furnish()
    plan(ends_at=(NOON + timedelta(days=28)).isoformat())
    calendar()
    rates = replace(Rates(), power=Rate(per_day=0.5, mean_hours=4.0))
    found = played(rates)
    policy = {one.name: one for one in found.compared if one.kind == "policy"}
    assert policy["skip"].off_hours == found.off_hours.mean, "it is the run's own"
    assert policy["replay"].off_hours > policy["skip"].off_hours, "who catches up is off the sky for longer"
    assert policy["replay"].paper_m > policy["skip"].paper_m
    without = {one.name: one for one in found.compared if one.kind == "without"}
    assert (without["power"].right or 0) > found.openings[0].odds.right
    assert without["power"].off_hours < min(one.off_hours for name, one in without.items() if name != "power")
    assert played(rates) == found, "the same seed is the same"


def test_a_run_under_way_is_played_from_now_on(db: None) -> None:
    furnish()
    plan(ends_at=(NOON + timedelta(days=28)).isoformat())
    found = played(now=at(24 * 20), asked=ALONE)
    assert found.starts_at == pytest.approx(at(24 * 20), abs=timedelta(minutes=7))
    assert found.paper_m.mean == pytest.approx(8 * 0.12, rel=0.1)
    assert found.compared == () and found.openings == ()


def test_without_hours_it_is_said_when_somebody_is_taken_to_be_there(db: None) -> None:
    furnish()
    plan()
    said = [one.in_words for one in played(asked=ALONE).assumptions]
    assert any("nobody has set the hours of The shed" in one for one in said)
    assert any("no service window" in one for one in said)


HEAD = {"kind": "carriage", "nozzles": 8, "passes": 2, "drop_pl": 10.0, "cartridge_ml": 1.0}
IDLE = {"drops": 10, "every_s": 1.0}


def test_the_cartridge_at_the_machine_has_fired_to_keep_its_nozzles_open(db: None) -> None:
    """Eight nozzles, ten drops of ten picolitres a second: a day's 86,400 are 0.069 ml."""
    furnish(head=HEAD | {"idle_firing": IDLE})
    plan(ends_at=at(24 * 9).isoformat())
    assert numbers(now=at(24)).season(Rates()).ink.left_ml == pytest.approx(1.0 - 86_400 * 8 * 10 * 10e-9)


def test_ink_of_a_picture_that_is_not_drawn_yet_is_said_not_to_be_reckoned(tmp_path: Path) -> None:
    furnish(head=HEAD)
    plan()
    found = played(asked=ALONE)
    assert found.ink_ml is None
    assert ["no plate of it is drawn yet" in one.in_words for one in found.assumptions if one.name == "ink"] == [True]


def test_what_is_assumed_is_said_with_its_source(db: None) -> None:
    """Of a machine without cartridge and knife, of one thing of each kind, and of what somebody said otherwise."""
    furnish(knife=None, head={"kind": "carriage", "nozzles": 8, "passes": 2, "drop_pl": 10.0})
    plan(strips_per_turn=0)
    rates = changed(Rates(), {"power_every_days": 1.0, "power_hours": 1.0, "notice_hours": 1.0, "late_hours": 3.0})
    found = {
        one.name: (one.in_words, one.source) for one in played(replace(rates, change_minutes=1.0), ALONE).assumptions
    }
    assert found["power"] == ("a power cut every day of printing, of 1 hour on average", "as was said")
    assert found["late"] == ("10 % of the visits begin late, by 3 hours on average", "as was said")
    assert found["notice_hours"] == (
        "who is there sees after 1 hour that it stands still",
        "common practice, no source",
    )
    assert found["change_minutes"] == ("a change of roll takes 1 minute", "as was said")
    assert found["reserve"][0].endswith("with 10 % in hand")
    assert (
        found["part"][0] == "a part that fails every 365 days of printing, and 24 hours of work once somebody is there"
    )
    assert "ink" in found
    rare = played(changed(Rates(), {"jam_every_days": 1e6}), ALONE).assumptions
    assert any("a jam every 1,000,000 days" in one.in_words for one in rare)


def test_a_run_that_is_over_is_refused(db: None) -> None:
    furnish()
    plan()
    with pytest.raises(InputError, match="nothing of run first is to come"):
        played(now=at(100))


def test_rates_are_the_logs_with_a_typical_one_among_them(tmp_path: Path) -> None:
    """Two days and a half of printing, and one cut of so many hours, with the typical one in sixty days of three hours:
    two in 62.5 days."""
    ready(tmp_path, ends_at=at(60).isoformat())
    take("one", batch(started(), settled(2, 6.0, missing_since=at(1.0))), long_after())
    now = at(100)
    assert printing_days("one", now) == pytest.approx(2.5)
    found = rates_of("one", now, Rates())
    assert found.power.per_day == pytest.approx(2 / 62.5)
    assert found.power.mean_hours == pytest.approx((3.0 + 5.0) / 2)
    assert "1 in 2.5 days of this machine's log" in found.power.source
    assert found.jam.per_day == pytest.approx(1 / 62.5), "none was seen, which tells something, too"
    assert found.network.per_day == pytest.approx(1 / 16.5), "no silence either, in the two days and a half"
    assert found.nozzle.per_day == Rates().nozzle.per_day
    assert found.nozzle.source.startswith("nobody has looked at this machine's nozzles yet (common practice")


def test_a_cut_of_which_nobody_knows_when_it_began_tells_nothing_of_their_length(tmp_path: Path) -> None:
    ready(tmp_path, ends_at=at(60).isoformat())
    take("one", batch(started(), settled(2, 6.0, missing_since=at(1.0)), settled(3, 20.0)), long_after())
    found = rates_of("one", at(100), Rates())
    assert found.power.per_day == pytest.approx(3 / 62.5), "both count"
    assert found.power.mean_hours == pytest.approx((3.0 + 5.0) / 2), "and one of them has a length"


def test_a_machine_that_stood_still_for_a_year_is_rehearsed_all_the_same(tmp_path: Path) -> None:
    ready(tmp_path, ends_at=at(60).isoformat())
    take("one", batch(started(), settled(2, 6.0, missing_since=at(6.0 - 5000.0))), long_after())
    assert rates_of("one", at(100), Rates()).power.mean_hours == 2000.0


def test_a_machine_without_a_log_is_typical(db: None) -> None:
    furnish()
    plan()
    found = rates_of("one", NOON - timedelta(days=1), Rates())
    assert found == replace(Rates(), nozzle=found.nozzle) and found.nozzle.per_day == Rates().nozzle.per_day


@pytest.mark.parametrize(
    ("fields", "field"),
    [
        ({"seasons": 1}, "seasons"),
        ({"seed": -1}, "seed"),
        ({"confidence": 0.2}, "confidence"),
        ({"confidence": 1.0}, "confidence"),
    ],
)
def test_what_cannot_be_asked_is_refused(fields: dict[str, Any], field: str) -> None:
    with pytest.raises(InputError) as refused:
        Asked(**fields)
    assert refused.value.field == field


@pytest.mark.parametrize("fields", [{"late_share": 1.1}, {"notice_hours": -1.0}, {"reserve": float("nan")}])
def test_rates_that_cannot_be_are_refused(fields: dict[str, Any]) -> None:
    with pytest.raises(InputError):
        Rates(**fields)


def test_a_run_that_is_held_or_printed_only_while_open_rests_as_the_plan_has_it(db: None) -> None:
    """What is left out where nothing goes wrong is what the plan leaves out."""
    furnish()
    plan(ends_at=at(24.0 * 12).isoformat())
    for opens, held in (("09:00", []), (None, [(30.0, 41.0), (100.0, 140.0)]), ("11:00", [(20.0, 30.0)])):
        day = () if opens is None else (OpenSpan(opens=opens, closes="19:30"),)
        set_hours("shed", Hours(week=Week(**dict.fromkeys(DAYS, day))), by(at=NOON))
        holds = [{"starts_at": at(a).isoformat(), "ends_at": at(b).isoformat(), "by": "test"} for a, b in held]
        Run.objects.update(only_while_open=opens is not None, holds=holds)
        run, context = Run.objects.get(), machine_context(Machine.objects.get(), NOON)
        out = left_out(run, context.profile_of(run), context.timeline, context.venue, NOON)
        columns = columns_in(out, run.first_column, run.end_column)
        found = played(never(), ALONE)
        assert columns > 0 and found.left_out.low == found.left_out.high
        assert found.left_out.mean == pytest.approx(columns, abs=len(out)), "the sky turns evenly there"
        assert found.off_hours.mean == 0.0
        told = {one.name: one.in_words for one in found.assumptions}
        assert told["rests"].startswith(f"it rests {len(out)} times, ") or opens == "11:00"
        assert not any("closed hours in which a run rests" in said for said in found.not_modelled)


def test_quiet_hours_hold_the_knife_and_idle_firing(db: None) -> None:
    """Of twelve strips a turn those that come to the knife from ten in the evening to six are not cut: four. Of the
    twelve nights the first has an hour more, as Lisbon's clock goes back (IANA)."""
    furnish()
    plan(ends_at=at(24.0 * 12).isoformat(), strips_per_turn=12)
    before = numbers().season(Rates())
    asleep = QuietHours(week=QuietWeek(**dict.fromkeys(DAYS, (QuietSpan(begins="22:00", ends="06:00"),))))
    Venue.objects.update(quiet=unstructure(asleep))
    after = numbers()
    assert after.held_share == pytest.approx(4 / 12, abs=0.02)
    season = after.season(Rates())
    assert season.paper.blade == pytest.approx(before.paper.blade / (1 - after.held_share))
    assert season.times.quiet.passed(np.array([season.length_s]))[0] == pytest.approx(97 * 3600.0)
    told = {one.name: one.in_words for one in played(never(), ALONE).assumptions}
    assert told["quiet"] == "it is quiet for 33.7 % of the time: nothing is cut then, and no idle nozzle fires"
