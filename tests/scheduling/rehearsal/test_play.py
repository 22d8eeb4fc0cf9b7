"""Seasons in arrays: they are those of a plain loop with the machine's own function, and what can be worked out by hand
comes out."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from machines.errors import InputError
from machines.recovery import CauseRule, Limit, Policy, Rule
from scheduling.rehearsal.incidents import Drawn, Kind, block_of, draw
from scheduling.rehearsal.play import Played, play
from scheduling.rehearsal.rates import Rate, Rates
from scheduling.rehearsal.season import Ink, Paper, Season
from scheduling.rehearsal.spans import BoolArray, Spans
from scheduling.rehearsal.tallies import play_seasons
from tests.scheduling.rehearsal.house import DAY, FIRST, HOUR, NEVER, QUIET, season, times
from tests.scheduling.rehearsal.plain_loop import Told, play_one

POLICIES = (
    Policy(kind="skip"),
    Policy(kind="blank"),
    Policy(kind="replay"),
    Policy(kind="replay", only_while_closed=True),
    Policy(kind="replay-within", within=Limit(value=2.0, unit="hours"), half_printed="again"),
    Policy(kind="skip", half_printed="finish", only_while_closed=True),
    Policy(kind="replay", half_printed="abandon"),
    Policy(kind="shift"),
    Policy(kind="shift", half_printed="again"),
    Policy(
        kind="skip",
        by_cause=(
            CauseRule(causes=("jam", "supplies"), rule=Rule(kind="replay")),
            CauseRule(causes=("service",), rule=Rule(kind="blank")),
        ),
    ),
)
# So much goes wrong that one thing often happens in the middle of another.
ROUGH = Rates(
    power=Rate(per_day=0.4, mean_hours=6.0),
    network=Rate(per_day=0.2, mean_hours=60.0),
    jam=Rate(per_day=0.2, mean_hours=2.0),
    part=Rate(per_day=0.05, mean_hours=40.0),
    nozzle=Rate(per_day=0.3, mean_hours=0.0),
    late_share=0.5,
    work_held_hours=24.0,
)
COUNTED = ("off_s", "down_s", "blank", "skipped", "unknown", "rolls", "cartridges", "blades", "ran_out", "unattended")


@pytest.mark.parametrize("policy", POLICIES, ids=str)
@pytest.mark.parametrize("rates", [Rates(), ROUGH], ids=["usual", "rough"])
def test_they_are_those_of_a_plain_loop(policy: Policy, rates: Rates) -> None:
    """To the column, and to a millisecond of the hours."""
    one = season(policy, days=90, rates=rates)
    drawn = draw(one, seed=4, block=0, seasons=25)
    played = play(one, drawn)
    told = [play_one(one, drawn, row) for row in range(len(drawn))]
    assert_same(played, told)


def test_a_roll_that_lasts_for_hours_and_no_service_is_played_alike() -> None:
    policy = Policy(kind="replay")
    short = Paper(roll=700.0, left=100.0, hangs=432, blade=500.0, blade_left=20.0)
    one = season(policy, days=40, paper=short, ink=Ink(ml_per_column=1e-3, cartridge_ml=0.9, left_ml=0.5))
    one = replace(one, times=replace(one.times, windows=()))
    drawn = draw(one, seed=1, block=0, seasons=10)
    assert_same(play(one, drawn), [play_one(one, drawn, row) for row in range(10)])


def assert_same(played: Played, told: list[Told]) -> None:
    for name in COUNTED:
        found, wanted = getattr(played.state, name), [getattr(one, name) for one in told]
        np.testing.assert_allclose(found, wanted, atol=1e-3, err_msg=name)
    np.testing.assert_array_equal(played.paper, [one.paper for one in told])
    np.testing.assert_allclose(played.ink_ml, [one.ink_ml for one in told], atol=1e-9)
    for index, name in enumerate(("still", "late", "whole", "streaked", "right")):
        wanted = np.sum([[seen[index] for seen in one.seen] for one in told], axis=0)
        np.testing.assert_array_equal(getattr(played, name), wanted, err_msg=name)


# What can be worked out by hand.


def with_power(hours: float, every_days: float) -> Rates:
    return replace(QUIET, power=Rate(per_day=1 / every_days, mean_hours=hours))


def endless(one: Season) -> Season:
    """Paper and ink that never end."""
    return replace(one, paper=Paper(roll=1e12, left=1e12, hangs=432), ink=Ink(ml_per_column=7e-5))


def test_where_nothing_goes_wrong_all_is_right() -> None:
    found = play_seasons(season(rates=replace(QUIET, change_minutes=0.1)), 100, 1)
    assert {one.right for one in found.openings} == {1.0}
    assert found.ran_out.max() == 0 and found.off_hours.max() < 0.1, "but for the seconds of the changes"
    assert set(found.paper) == {180 * 1440.0}, "180 turns"
    np.testing.assert_allclose(found.ink_ml, 180 * (1440 * 7e-5 + DAY * 4e-9), rtol=1e-6)


def test_rolls_last_as_long_as_their_length_over_the_feed() -> None:
    """1440 columns a day: a roll of 30,000 is 20.83 days. Nobody comes in any window, so that each is used up: of 180
    days' 259,200 columns the first roll serves 20,000, and eight more the rest."""
    one = season(rates=replace(QUIET, change_minutes=0.1, notice_hours=0.0), ink=Ink(ml_per_column=0.0))
    one = replace(one, times=replace(one.times, windows=(), hours=Spans.of([(0.0, 181 * DAY)])))
    found = play_seasons(one, 100, 1)
    assert set(found.rolls) == {(180 * 1440 - 20_000) // 30_000 + 1} == {8}
    assert set(found.unattended) == {0}
    assert set(found.ran_out) == {8}


def test_a_roll_that_ends_at_night_ends_with_nobody_there() -> None:
    """The first ends after 20,000 columns, 13.889 days: at 21:20, and the doors close at six. It is seen an hour
    after they open at ten, and changed in a quarter of an hour: it stands still from 21:20 to 11:15."""
    one = season(days=20, rates=replace(QUIET, late_share=0.0), ink=Ink(ml_per_column=0.0))
    there = Spans.of([(day * DAY + 10 * HOUR, day * DAY + 18 * HOUR) for day in range(21)])
    one = replace(one, times=replace(one.times, windows=(), hours=there))
    found = play_seasons(one, 100, 1)
    assert set(found.unattended) == {1}
    assert found.still_hours.max() == pytest.approx(2 + 40 / 60 + 11.25, abs=0.01)


def test_catching_up_takes_what_the_formula_says() -> None:
    """An outage of B hours at r times the pace is off the sky for B and B / (r - 1): common practice, no source."""
    rates = with_power(8.0, 3650.0)
    skip, replay = (
        play_seasons(endless(season(Policy(kind=kind), rates=rates)), 4000, 3)  # type: ignore[arg-type]  # a kind of rule
        for kind in ("skip", "replay")
    )
    once = (skip.off_hours > 1.0) & (replay.off_hours < 8.0 * 24.0)
    ratio = replay.off_hours[once] / skip.off_hours[once]
    assert np.median(ratio) == pytest.approx(1 + 1 / 3, rel=0.01)
    assert replay.skipped.max() == 0
    assert set(replay.paper) == {180 * 1440.0}, "all of it is on the paper, or perhaps is"


def test_time_off_the_sky_is_what_the_rates_say() -> None:
    """180 days with a cut of three hours in sixty: nine hours on average, and the spread of a compound Poisson sum, the
    mean number times the mean square, 2 h^2 for an exponential."""
    found = play_seasons(endless(season(rates=with_power(3.0, 60.0))), 20_000, 5)
    assert found.off_hours.mean() == pytest.approx(3 * 3.0, rel=0.03)
    assert found.off_hours.var() == pytest.approx(3 * 2 * 3.0**2, rel=0.06)


def test_a_strip_is_whole_where_no_cut_fell_while_it_was_laid() -> None:
    """432 columns hang, 7.2 hours. A cut of an instant misses nothing between two bursts, and leaves one in doubt that
    is in hand, as one is a quarter of the time at four times the pace: exp(-7.2 / 24 / 4 / 2) at one in two days."""
    found = play_seasons(endless(season(rates=with_power(1e-6, 2.0))), 20_000, 6)
    for one in found.openings:
        assert one.right == pytest.approx(np.exp(-7.2 / 24 / 4 / 2), abs=0.01)


def test_dead_nozzles_show_once_as_many_are_dead_as_set_a_dot() -> None:
    """With one pass any dead nozzle shows: at an opening on the day after a service at least one of a Poisson count."""
    rates = replace(QUIET, nozzle=Rate(per_day=0.2, mean_hours=0.0), change_minutes=0.1)
    one = endless(season(rates=rates, passes=1, days=30))
    one = replace(one, times=times(30, np.array([9 * DAY + 9 * HOUR + 5 * DAY]), every=7))
    found = play_seasons(one, 20_000, 7)
    # The last service is at day 9, 09:00; five days later one in exp(-1) has no dead nozzle.
    assert found.openings[0].streaked == pytest.approx(1 - np.exp(-1.0), abs=0.01)
    assert found.openings[0].right == pytest.approx(np.exp(-1.0), abs=0.01), "and what is streaked is not right"
    assert play_seasons(replace(one, rates=rates.without("nozzle")), 100, 7).openings[0].right == 1.0


def test_parts_that_fail_are_a_poisson_count() -> None:
    rates = replace(QUIET, part=Rate(per_day=2 / 180, mean_hours=1.0))
    fails = of_kind(draw(endless(season(rates=rates)), 8, 0, 20_000), Kind.PART).sum(axis=0)
    shares = [float(np.mean(fails == number)) for number in range(4)]
    np.testing.assert_allclose(shares, [np.exp(-2) * 2**k / f for k, f in enumerate((1, 1, 2, 6))], atol=0.012)


def test_nobody_notices_while_nobody_is_there() -> None:
    """The doors open at ten, and from then on an hour passes until somebody sees it; at noon it is seen at one."""
    one = season(days=20, rates=replace(QUIET, notice_hours=1.0))
    one = replace(
        one, times=replace(one.times, windows=(), hours=Spans.of([(10 * HOUR, 18 * HOUR), (34 * HOUR, DAY * 2)]))
    )
    at = np.array([3 * HOUR, 9.5 * HOUR, 12 * HOUR, 17.5 * HOUR, 18 * HOUR, 50 * HOUR])
    seen = np.array([11 * HOUR, 11 * HOUR, 13 * HOUR, 34 * HOUR, 35 * HOUR, np.inf])
    np.testing.assert_array_equal(one.seen(at), seen)


def test_who_comes_in_other_windows_is_there_in_them_alone() -> None:
    """In the hours of the house as before, and no more in the windows that are not."""
    one = season(days=20).times
    other = replace(one, windows=((4 * DAY, 4 * DAY + HOUR),))
    before = np.array([2 * DAY + 9.5 * HOUR])
    assert one.there.next_in(before)[0] == before[0], "in a window before the doors open"
    assert other.there.next_in(before)[0] == 2 * DAY + 10 * HOUR
    assert other.there.next_in(np.array([3.9 * DAY]))[0] == 4 * DAY


def test_the_same_seed_is_the_same_and_another_is_not() -> None:
    one = season()
    first, again, other = (play_seasons(one, 10_500, seed) for seed in (1, 1, 2))
    np.testing.assert_array_equal(first.off_hours, again.off_hours)
    assert first.openings == again.openings
    assert not np.array_equal(first.off_hours, other.off_hours)
    fewer = play_seasons(one, 10_000, 1)
    np.testing.assert_array_equal(first.off_hours[:10_000], fewer.off_hours)


def test_another_policy_or_service_meets_the_same_incidents() -> None:
    one = season()
    other = replace(one, times=times(180, one.times.openings, every=3))
    for kind in (Kind.PART, Kind.JAM):
        found, wanted = (
            np.sort(drawn.at[of_kind(drawn, kind)]) for drawn in (draw(one, 1, 0, 50), draw(other, 1, 0, 50))
        )
        np.testing.assert_array_equal(found, wanted)


def of_kind(drawn: Drawn, kind: Kind) -> BoolArray:
    """Where something of a kind happens."""
    found: BoolArray = (drawn.kind == kind) & np.isfinite(drawn.at)
    return found


def test_progress_is_told_as_they_are_played() -> None:
    """Two blocks of ROUGH ones are too much at once; usual ones, in which little happens, are played together."""
    told: list[tuple[int, int]] = []
    play_seasons(season(rates=ROUGH), 4100, 1, lambda done, whole: told.append((done, whole)))
    assert told == [(2000, 4100), (4100, 4100)]
    told.clear()
    play_seasons(season(), 4100, 1, lambda done, whole: told.append((done, whole)))
    assert told == [(4100, 4100)]


def test_seasons_are_the_same_whatever_is_played_with_them() -> None:
    one = season(Policy(kind="replay"), rates=ROUGH)
    blocks = [draw(one, 1, number, 30) for number in range(3)]
    together, alone = play(one, Drawn.joined(blocks)), [play(one, block) for block in blocks]
    np.testing.assert_array_equal(together.state.off_s, np.concatenate([played.state.off_s for played in alone]))
    np.testing.assert_array_equal(together.right, np.sum([played.right for played in alone], axis=0))


def test_long_seasons_are_drawn_in_smaller_blocks() -> None:
    """By their length alone: whatever else is changed changes no chance."""
    assert block_of(36.0) == 10_000
    assert block_of(180.0) == 2000
    assert block_of(3600.0) == 100


@pytest.mark.parametrize(("seasons", "seed"), [(99, 1), (100_001, 1), (100, -1), (100, 2**53)])
def test_what_cannot_be_played_is_refused(seasons: int, seed: int) -> None:
    with pytest.raises(InputError):
        play_seasons(season(), seasons, seed)


def test_what_is_never_is_never() -> None:
    assert Rates().without("power").power.per_day == 0.0
    assert Rates().without("late").late_share == 0.0
    assert NEVER.seen(5, 100.0) == NEVER
    assert season().first_column == FIRST
