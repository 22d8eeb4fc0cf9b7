from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from machines.errors import InputError
from scheduling.sky import cycles
from scheduling.sky.cycles import CYCLE_NAMES, Cycle, CycleError
from scheduling.sky.ephemeris import EphemerisRangeError, load
from scheduling.sky.places import Place
from scheduling.sky.timescales import DAY_S

LISBON = Place(38.72, -9.14)
EPOCH = datetime(2026, 3, 1, tzinfo=UTC)
OPTIONS = {"temporal-hours": {"place": LISBON}, "period": {"seconds": 600.0, "epoch": EPOCH}}
OVER_THE_EPHEMERIS = [name for name in CYCLE_NAMES if name != "period"]
SMOOTH = [name for name in OVER_THE_EPHEMERIS if name != "temporal-hours"]
FOLLOW_THE_EARTH = ["apparent-solar-day", "mean-solar-day", "sidereal-day", "lunar-day", "temporal-hours"]

instants_ = st.floats(datetime(1901, 1, 1, tzinfo=UTC).timestamp(), datetime(2053, 1, 1, tzinfo=UTC).timestamp())


def cycle(name: str) -> Cycle:
    return cycles.get(name, **OPTIONS.get(name, {}))


def posix(*parts: int) -> float:
    return datetime(*parts, tzinfo=UTC).timestamp()  # type: ignore[arg-type, misc]


def test_the_cycles_of_the_design() -> None:
    assert set(CYCLE_NAMES) == {
        "apparent-solar-day",
        "mean-solar-day",
        "sidereal-day",
        "lunar-day",
        "synodic-month",
        "tropical-year",
        "temporal-hours",
        "period",
    }


@pytest.mark.parametrize("name", CYCLE_NAMES)
def test_a_cycle_knows_its_name(name: str) -> None:
    assert cycle(name).name == name


# The two functions.


@pytest.mark.parametrize("name", CYCLE_NAMES)
@settings(deadline=None)  # the first to ask for a block samples it
@given(instants=st.lists(instants_, min_size=1, max_size=20))
def test_instants_undo_turns(name: str, instants: list[float]) -> None:
    found = cycle(name).instants(cycle(name).turns(instants))
    assert found == pytest.approx(np.array(instants), abs=1e-4)


@pytest.mark.parametrize("name", CYCLE_NAMES)
@settings(deadline=None)  # the first to ask for a block samples it
@given(data=st.data())
def test_turns_undo_instants(name: str, data: st.DataObject) -> None:
    low, high = cycle(name).turns([posix(1901, 1, 1), posix(2053, 1, 1)])
    counts = data.draw(st.lists(st.floats(low, high), min_size=1, max_size=20))
    found = cycle(name).turns(cycle(name).instants(counts))
    assert found == pytest.approx(np.array(counts), abs=1e-4 / cycle(name).mean_turn_s)


@pytest.mark.parametrize("name", CYCLE_NAMES)
def test_turns_increase_strictly_even_over_seconds(name: str) -> None:
    start = posix(2026, 10, 20)
    assert (np.diff(cycle(name).turns(start + np.arange(0.0, 20_000.0, 1.0))) > 0.0).all()


@pytest.mark.parametrize("name", CYCLE_NAMES)
def test_the_mean_turn_is_the_mean_turn(name: str) -> None:
    ends = np.array([posix(2001, 1, 1), posix(2051, 1, 1)])
    counted = np.diff(cycle(name).turns(ends))
    assert np.diff(ends) / counted == pytest.approx(cycle(name).mean_turn_s, rel=2e-4)


@pytest.mark.parametrize("name", OVER_THE_EPHEMERIS)
def test_a_leap_second_makes_turns_jump_by_a_second(name: str) -> None:
    leap = posix(2017, 1, 1)
    counted = cycle(name)
    before, after = counted.turns([leap - 1e-3, leap])
    assert (after - before) * counted.mean_turn_s == pytest.approx(1.001, rel=0.25)
    inside = counted.instants(0.5 * (before + after))
    assert inside == pytest.approx(leap, abs=1e-4)


@pytest.mark.parametrize("name", CYCLE_NAMES)
@pytest.mark.parametrize("shape", [(), (1,), (3,), (2, 2), (0,)])
def test_shapes_are_kept(name: str, shape: tuple[int, ...]) -> None:
    at = np.full(shape, posix(2026, 5, 1))
    turns = cycle(name).turns(at)
    assert np.shape(turns) == np.shape(cycle(name).instants(turns)) == np.shape(cycle(name).ut1_error_s(at)) == shape


@pytest.mark.parametrize("name", CYCLE_NAMES)
def test_what_is_found_for_one_does_not_depend_on_the_others(name: str) -> None:
    counted = cycle(name)
    low, high = counted.turns([posix(2024, 1, 1), posix(2034, 1, 1)])
    counts = np.random.default_rng(5).uniform(low, high, 60)
    together = counted.instants(counts)
    assert [float(counted.instants(count)) for count in counts] == together.tolist()
    assert counted.instants(counts[::-1])[::-1].tolist() == together.tolist()


# Zeros of phase, and the numbers of turns.


def test_the_apparent_solar_day_n_is_n_days_after_the_first_of_2000() -> None:
    noon = np.array([posix(2000, 1, 1, 12), posix(2026, 2, 28, 12), posix(1999, 12, 31, 12)])
    assert np.floor(cycle("apparent-solar-day").turns(noon)).tolist() == [0.0, 9555.0, -1.0]
    assert np.floor(cycle("mean-solar-day").turns(noon)).tolist() == [0.0, 9555.0, -1.0]


def test_mean_solar_midnight_at_greenwich_is_0h_ut1() -> None:
    scales = load().scales
    midnight = cycle("mean-solar-day").instants(9000.0)
    ut1 = scales.ut1_from_tt(scales.tt_from_posix(midnight))
    assert ut1 == pytest.approx((9000.0 - 0.5) * DAY_S, abs=1e-5)


def test_apparent_noon_comes_up_to_a_quarter_of_an_hour_before_or_after_mean_noon() -> None:
    noons = np.arange(9497, 9862) + 0.5
    early_min = (cycle("mean-solar-day").instants(noons) - cycle("apparent-solar-day").instants(noons)) / 60.0
    # Common practice, no source: about 16 minutes before mean noon in November, 14 after it in February.
    assert early_min.max() == pytest.approx(16.4, abs=0.2)
    assert early_min.min() == pytest.approx(-14.2, abs=0.2)
    assert int(early_min.argmax()) == (datetime(2026, 11, 3, tzinfo=UTC) - datetime(2026, 1, 1, tzinfo=UTC)).days


def test_a_sidereal_day_is_four_minutes_shorter_than_a_solar_one() -> None:
    lengths = np.diff(cycle("sidereal-day").instants(np.arange(9600, 9700)))
    assert lengths == pytest.approx(86_164.09, abs=0.02)


def test_sidereal_turns_are_one_a_year_more() -> None:
    start, end = posix(2026, 3, 20, 14, 46), posix(2027, 3, 20, 20, 25)
    sidereal, solar = (np.diff(cycle(name).turns([start, end])) for name in ("sidereal-day", "apparent-solar-day"))
    assert sidereal - solar == pytest.approx(1.0, abs=1e-4)


def test_a_lunar_day_is_about_fifty_minutes_longer_and_never_twice_the_same() -> None:
    lengths_h = np.diff(cycle("lunar-day").instants(np.arange(9000, 9400))) / 3600.0
    assert lengths_h.mean() == pytest.approx(24.84, abs=0.01)
    assert 24.6 < lengths_h.min() < 24.7
    assert 25.0 < lengths_h.max() < 25.2


def test_the_synodic_month_counts_from_the_new_moon_of_january_2000() -> None:
    new_moon = float(cycle("synodic-month").instants(0.0))
    assert datetime.fromtimestamp(new_moon, UTC).date().isoformat() == "2000-01-06"


def test_the_tropical_year_counts_from_the_equinox_of_march_2000() -> None:
    for year in (1950, 2000, 2026, 2050):
        equinox = datetime.fromtimestamp(float(cycle("tropical-year").instants(year - 2000.0)), UTC)
        assert (equinox.year, equinox.month) == (year, 3)
        assert equinox.day in (19, 20, 21)


# Errors that are stated.


@pytest.mark.parametrize("name", CYCLE_NAMES)
def test_the_bound_of_the_sampling_is_at_most_a_millisecond(name: str) -> None:
    assert 0.0 <= cycle(name).sampling_error_s <= 1e-3


@pytest.mark.parametrize("name", CYCLE_NAMES)
def test_only_what_follows_the_earth_has_an_error_from_its_prediction(name: str) -> None:
    error = cycle(name).ut1_error_s([posix(2020, 1, 1), posix(2040, 1, 1)])
    assert error[0] == 0.0
    assert (error[1] > 0.5) == (name in FOLLOW_THE_EARTH)


# What is refused.


@pytest.mark.parametrize("name", OVER_THE_EPHEMERIS)
@pytest.mark.parametrize("year", [1850, 2100])
def test_outside_the_ephemeris_the_error_says_the_range(name: str, year: int) -> None:
    with pytest.raises(EphemerisRangeError, match="1899-07-31 to 2053-10-05"):
        cycle(name).turns([posix(2026, 1, 1), posix(year, 1, 1)])
    beyond = (year - 2000) * 365.25 * DAY_S / cycle(name).mean_turn_s
    with pytest.raises(EphemerisRangeError, match="1899-07-31 to 2053-10-05"):
        cycle(name).instants([0.0, beyond])


@pytest.mark.parametrize("name", SMOOTH)
def test_to_the_very_ends_of_the_ephemeris(name: str) -> None:
    ends = np.array([instant.timestamp() for instant in load().span()])
    assert cycle(name).instants(cycle(name).turns(ends)) == pytest.approx(ends, abs=1e-4)


@pytest.mark.parametrize("name", CYCLE_NAMES)
@pytest.mark.parametrize("wrong", [np.nan, np.inf, -np.inf])
def test_what_is_no_number_is_refused_by_its_place(name: str, wrong: float) -> None:
    with pytest.raises(ValueError, match=r"posix\[1\] is"):
        cycle(name).turns([0.0, wrong])
    with pytest.raises(ValueError, match=r"turns\[0\] is"):
        cycle(name).instants([wrong, 0.0])


def test_an_unknown_cycle_is_refused_with_the_ones_there_are() -> None:
    with pytest.raises(CycleError, match="apparent-solar-day") as refused:
        cycles.get("martian-sol")
    assert refused.value.field == "cycle"
    assert isinstance(refused.value, InputError)


@pytest.mark.parametrize(
    ("name", "options"),
    [
        ("apparent-solar-day", {"place": LISBON}),
        ("temporal-hours", {}),
        ("temporal-hours", {"place": LISBON, "zone": "Europe/Lisbon"}),
        ("period", {"seconds": 60.0}),
        ("period", {"epoch": EPOCH}),
    ],
)
def test_options_that_do_not_fit_are_refused(name: str, options: dict[str, object]) -> None:
    with pytest.raises(CycleError) as refused:
        cycles.get(name, **options)
    assert refused.value.field == "options"


@pytest.mark.parametrize("place", [None, "Lisbon", (38.72, -9.14), [38.72, -9.14]])
def test_temporal_hours_need_a_place(place: object) -> None:
    with pytest.raises(InputError) as refused:
        cycles.get("temporal-hours", place=place)
    assert refused.value.field == "place"


@pytest.mark.parametrize("seconds", [0.0, -1.0, 0.5, 1e-300, 2e10, 1e308, np.nan, np.inf, True, "600", None])
def test_a_period_is_a_number_of_seconds_that_a_machine_could_follow(seconds: float) -> None:
    with pytest.raises(InputError) as refused:
        cycles.get("period", seconds=seconds, epoch=EPOCH)
    assert refused.value.field == "seconds"


@pytest.mark.parametrize("epoch", [EPOCH.replace(tzinfo=None), "2026-03-01T00:00:00Z", 1_772_323_200.0, None])
def test_the_epoch_of_a_period_is_an_instant(epoch: object) -> None:
    with pytest.raises(InputError) as refused:
        cycles.get("period", seconds=60.0, epoch=epoch)
    assert refused.value.field == "epoch"


def test_a_period_counts_from_its_epoch() -> None:
    counted = cycles.get("period", seconds=90.0, epoch=EPOCH)
    later = [(EPOCH + timedelta(seconds=seconds)).timestamp() for seconds in (-45, 0, 90, 225)]
    assert counted.turns(later).tolist() == [-0.5, 0.0, 1.0, 2.5]


def test_a_period_of_a_day_stays_at_its_hour_over_a_leap_second() -> None:
    counted = cycles.get("period", seconds=86_400.0, epoch=datetime(2016, 12, 31, 9, tzinfo=UTC))
    assert datetime.fromtimestamp(float(counted.instants(1.0)), UTC) == datetime(2017, 1, 1, 9, tzinfo=UTC)


def test_smooth_cycles_are_made_once() -> None:
    assert all(cycles.get(name) is cycles.get(name) for name in SMOOTH)
