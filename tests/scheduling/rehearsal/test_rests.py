"""Rests and quiet hours in a rehearsal: in arrays as in a plain loop, and as can be worked out by hand."""

from __future__ import annotations

from dataclasses import replace
from random import Random
from typing import Any

import numpy as np
import pytest

from machines.recovery import Policy
from scheduling.rehearsal.incidents import Kind, draw
from scheduling.rehearsal.play import play
from scheduling.rehearsal.rates import Rate, Rates
from scheduling.rehearsal.season import Ink, Paper, Season
from scheduling.rehearsal.spans import Spans
from scheduling.rehearsal.tallies import play_seasons
from tests.scheduling.rehearsal.house import DAY, HOUR, NEVER, QUIET, season
from tests.scheduling.rehearsal.plain_loop import play_one
from tests.scheduling.rehearsal.test_play import POLICIES, ROUGH, assert_same, endless, of_kind

# From eight in the evening to eight in the morning it rests; from ten to six it is quiet.
NIGHTS = [(day * DAY + 20 * HOUR, (day + 1) * DAY + 8 * HOUR) for day in range(-1, 400)]
SHORT = Paper(roll=5000.0, left=700.0, hangs=432, blade=900.0, blade_left=20.0)
LITTLE = Ink(ml_per_column=1e-3, idle_ml_per_s=1e-5, cartridge_ml=9.0, left_ml=0.5)
ASLEEP = [(day * DAY + 22 * HOUR, (day + 1) * DAY + 6 * HOUR) for day in range(-1, 400)]


def resting(one: Season, rests: Any = NIGHTS, quiet: Any = ()) -> Season:
    spans = [Spans.of([(max(0.0, begins), ends) for begins, ends in of if ends > 0.0]) for of in (rests, quiet)]
    return replace(one, times=replace(one.times, rests=spans[0], quiet=spans[1]))


def drawn_season(number: int) -> Season:
    """One of a grid: a policy, rates, rests of any length that touch each other or not, quiet hours, short parts."""
    chance = Random(number)
    rests, at = list[tuple[float, float]](), chance.uniform(-0.5, 2.0) * DAY
    kind = chance.choice(["closed", "nights", "held", "none"])
    while kind == "held" and at < 60 * DAY:
        rests.append((at, at := at + chance.choice([600.0, HOUR, 9 * HOUR, 3 * DAY])))
        at += chance.choice([0.0, 1.0, 5 * HOUR, 4 * DAY])
    one = season(
        chance.choice(POLICIES),
        days=40,
        rates=chance.choice([ROUGH, Rates(), replace(ROUGH, network=NEVER, part=NEVER)]),
        paper=chance.choice([SHORT, Paper(roll=3e4, left=2e4, hangs=90)]),
        ink=chance.choice([LITTLE, Ink(ml_per_column=7e-5)]),
    )
    if kind == "closed":
        rests = list(zip(one.times.closed.starts.tolist(), one.times.closed.ends.tolist(), strict=True))
    return resting(one, NIGHTS if kind == "nights" else rests, chance.choice([ASLEEP, ()]))


@pytest.mark.parametrize("number", range(40))
def test_they_are_those_of_a_plain_loop(number: int) -> None:
    """To the column, and to a millisecond of the hours."""
    one = drawn_season(number)
    drawn = draw(one, seed=number, block=0, seasons=8)
    assert_same(play(one, drawn), [play_one(one, drawn, row) for row in range(len(drawn))])


def quiet_season(policy: Policy = Policy(kind="skip"), **more: Any) -> Season:  # noqa: B008
    return endless(season(policy, days=30, rates=replace(QUIET, change_minutes=0.1), **more))


def test_what_is_due_in_a_rest_is_left_out_and_costs_no_time_off_the_sky() -> None:
    """Of 1440 columns a day twelve hours are 720; the first night is half over as the run begins, at midnight. Eight
    columns are of a burst that begins before the run, and so before the rest."""
    found = play_seasons(resting(quiet_season()), 100, 1)
    left_out = 480 - 8 + 29 * 720 + 240
    assert set(found.skipped) == {left_out}
    assert set(found.paper) == {30 * 1440.0 - left_out}
    assert found.off_hours.max() == found.still_hours.max() == 0.0


def test_at_an_opening_amid_its_hours_all_is_right_and_in_a_rest_it_stands_still() -> None:
    """They open at six in the evening, ten hours after it goes on: 7.2 hours hang. A seam of a rest is no flaw."""
    one = resting(quiet_season())
    assert {odds.right for odds in play_seasons(one, 100, 1).openings} == {1.0}
    late = replace(one, times=replace(one.times, openings=np.array([5 * DAY + 21 * HOUR, 6 * DAY + 8.5 * HOUR])))
    evening, morning = play_seasons(late, 100, 1).openings
    assert (evening.right, evening.still) == (0.0, 1.0) and (morning.right, morning.still, morning.whole) == (
        1.0,
        0.0,
        1.0,
    )


def test_what_rests_missed_is_caught_up_with_where_the_rule_says_so() -> None:
    """Twelve hours at four times the pace are made good in four: four hours a day off the sky, and none left out."""
    found = play_seasons(resting(quiet_season(Policy(kind="replay"))), 100, 1)
    assert found.skipped.max() == 0 and found.still_hours.max() == 0.0
    assert found.off_hours.mean() == pytest.approx(8 / 3 + 29 * 4, abs=0.5)
    assert set(found.paper) == {30 * 1440.0}


def test_an_outage_that_ends_in_a_rest_costs_no_more_than_until_it_begins() -> None:
    """The power goes at seven in the evening for six hours: one of them is before the rest."""
    one = resting(quiet_season())
    drawn = draw(replace(one, rates=replace(QUIET, power=Rate(per_day=1e-9, mean_hours=1.0))), 1, 0, 1)
    at, until, chance = (part.copy() for part in (drawn.at, drawn.until, drawn.chance))
    kind = drawn.kind.copy()
    (step,) = np.flatnonzero((kind[:, 0] == Kind.REST) & (at[:, 0] == 3 * DAY + 20 * HOUR))
    at[step], kind[step], until[step], chance[step] = 3 * DAY + 19 * HOUR, Kind.POWER, 4 * DAY + 1 * HOUR, 1.0
    state = play(one, replace(drawn, at=at, kind=kind, until=until, chance=chance)).state
    assert state.off_s[0] == state.down_s[0] == HOUR


def test_paper_jams_only_where_it_moves() -> None:
    rates = replace(QUIET, jam=Rate(per_day=0.5, mean_hours=1.0))
    one, plain = resting(season(days=100, rates=rates)), season(days=100, rates=rates)
    jams, all_jams = (draw(two, 3, 0, 200) for two in (one, plain))
    found, whole = (drawn.at[of_kind(drawn, Kind.JAM)] for drawn in (jams, all_jams))
    assert len(found) / len(whole) == pytest.approx(0.5, abs=0.02)
    hours = found % DAY / HOUR
    assert hours.min() >= 8.0 and hours.max() < 20.0


def test_idle_nozzles_are_not_fired_in_quiet_hours_nor_in_a_rest() -> None:
    """Eight quiet hours of 24; capped in a rest of twelve, of which eight are quiet anyway."""
    ink = Ink(ml_per_column=0.0, idle_ml_per_s=1e-6)
    for rests, quiet, hours in (((), (), 24), ((), ASLEEP, 16), (NIGHTS, (), 12), (NIGHTS, ASLEEP, 12)):
        one = resting(replace(quiet_season(), ink=ink), rests, quiet)
        assert play_seasons(one, 100, 1).ink_ml.mean() == pytest.approx(30 * hours * 3600 * 1e-6, rel=1e-6)


def test_staff_who_come_in_a_rest_stop_nothing() -> None:
    """They come at nine in the morning: to a run that rests until ten, and amid one that goes on at eight."""
    rates = replace(QUIET, change_minutes=30.0)
    short = Paper(roll=1e12, left=1e12, hangs=432, blade=1500.0, blade_left=10.0)
    until_ten = [(begins, ends + 2 * HOUR) for begins, ends in NIGHTS]
    nobody_waits, amid = (
        play_seasons(
            resting(replace(season(days=30, rates=rates), paper=short, ink=Ink(ml_per_column=0.0)), rests), 100, 1
        )
        for rests in (until_ten, NIGHTS)
    )
    assert nobody_waits.blades.min() == amid.blades.min() >= 4
    assert nobody_waits.still_hours.max() == 0.0
    assert amid.still_hours.min() == 0.5 * amid.blades.min()


def test_a_roll_lasts_longer_where_it_rests() -> None:
    """1440 columns a day, half of them: 20,000 are used up after 27.8 days instead of 13.9."""
    one = replace(season(days=20, rates=replace(QUIET, change_minutes=0.1)), ink=Ink(ml_per_column=0.0))
    one = replace(one, times=replace(one.times, windows=()))
    assert set(play_seasons(one, 100, 1).rolls) == {1} and set(play_seasons(resting(one), 100, 1).rolls) == {0}
