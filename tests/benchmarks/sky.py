"""The sky: the boundaries of a machine-year, and a year of sunrise, sunset and both noons.

Each is measured against skyfield asked directly, in the quickest way that it offers, and compared with it before it is
timed. Times are the least of several runs, on both sides.
"""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Callable
from datetime import UTC, datetime

import numpy as np
from skyfield import almanac as skyfield_almanac
from skyfield.api import wgs84

from scheduling.sky import almanac, cycles
from scheduling.sky.arrays import FloatArray
from scheduling.sky.ephemeris import load
from scheduling.sky.places import Place
from scheduling.sky.timescales import DAY_S, J2000_JD
from tests.benchmarks.row import Row

START, END = datetime(2026, 1, 1, tzinfo=UTC), datetime(2027, 1, 1, tzinfo=UTC)
SEGMENTS_A_TURN = 48
PLACE = Place(38.72, -9.14, 20.0)
KINDS = ("sunrise", "sunset", "solar-noon", "solar-midnight")

# The first question of a fresh process: opening the ephemeris, reading the Earth's orientation, sampling, solving.
# Imports are left out, as they are on the other side.
_FRESH = """
import time
from tests.benchmarks.sky import boundaries, sampled_instants
wanted = boundaries()
start = time.perf_counter()
sampled_instants(wanted)
print(time.perf_counter() - start)
"""


def rows() -> list[Row]:
    """Every measurement of the sky."""
    return [*timeline_year(), almanac_year()]


def timeline_year() -> list[Row]:
    """The boundaries of one machine-year at 48 segments a turn, on the apparent solar day."""
    wanted = boundaries()
    _agree("timeline-year", direct_instants(wanted), sampled_instants(wanted), tolerance_s=0.001)
    baseline = _least(lambda: direct_instants(wanted), runs=2)
    sampled = _least(lambda: sampled_instants(wanted), runs=9)
    fresh = min(_fresh_process() for _ in range(5))
    return [
        Row("timeline-year", baseline, sampled, "s", 200.0),
        Row("timeline-year-fresh", baseline, fresh, "s", 40.0),
    ]


def almanac_year() -> Row:
    """A year of sunrise, sunset, noon and midnight at a place."""
    for ours, theirs in zip(_our_almanac(), _skyfield_almanac(), strict=True):
        _agree("almanac-year", theirs, ours, tolerance_s=0.1)
    return Row("almanac-year", _least(_skyfield_almanac, runs=5), _least(_our_almanac, runs=5), "s", 3.0)


def boundaries() -> FloatArray:
    """The counts of turns at which the segments of the year begin: turn n is n days after 2000-01-01."""
    first = (START - datetime(2000, 1, 1, tzinfo=UTC)).days
    return np.arange(first * SEGMENTS_A_TURN, (first + 365) * SEGMENTS_A_TURN) / SEGMENTS_A_TURN


def sampled_instants(wanted: FloatArray) -> FloatArray:
    """Ours."""
    return cycles.get("apparent-solar-day").instants(wanted)


def direct_instants(wanted: FloatArray) -> FloatArray:
    """Skyfield's Sun and sidereal time for all boundaries at once, and two Newton steps with the mean rate."""
    loaded = load()
    # The mean Sun for a first guess; TT and UT1 are a minute apart.
    tt = (wanted - 0.5) * DAY_S
    for _ in range(2):
        instant = loaded.timescale.tt_jd(J2000_JD, tt / DAY_S)
        right_ascension, _, _ = loaded.earth.at(instant).observe(loaded.sun).apparent().radec("date")
        missing = wanted - (instant.gast - right_ascension.hours) / 24.0 - 0.5
        tt = tt + (missing - np.round(missing)) * DAY_S
    return loaded.scales.posix_from_tt(tt)


def _our_almanac() -> list[FloatArray]:
    events = almanac.calendar(START, END, PLACE, KINDS)
    return [np.array([event.at.timestamp() for event in events if event.kind == kind]) for kind in KINDS]


def _skyfield_almanac() -> list[FloatArray]:
    """Its direct searches; midnight as the transit over the opposite meridian, far faster than its general search."""
    loaded = load()
    here = loaded.earth + wgs84.latlon(PLACE.latitude_degrees, PLACE.longitude_degrees, PLACE.elevation_m)
    opposite = loaded.earth + wgs84.latlon(PLACE.latitude_degrees, PLACE.longitude_degrees + 180.0, PLACE.elevation_m)
    span = loaded.timescale.from_datetime(START), loaded.timescale.from_datetime(END)
    found = (
        skyfield_almanac.find_risings(here, loaded.sun, *span)[0],
        skyfield_almanac.find_settings(here, loaded.sun, *span)[0],
        skyfield_almanac.find_transits(here, loaded.sun, *span),
        skyfield_almanac.find_transits(opposite, loaded.sun, *span),
    )
    return [np.array([instant.timestamp() for instant in times.utc_datetime()]) for times in found]


def _agree(name: str, theirs: FloatArray, ours: FloatArray, tolerance_s: float) -> None:
    if theirs.shape != ours.shape or np.abs(theirs - ours).max() > tolerance_s:
        raise ArithmeticError(f"{name}: the two sides differ by more than {tolerance_s} s; nothing was timed")


def _least(measured: Callable[[], object], runs: int) -> float:
    durations = []
    for _ in range(runs):
        start = time.perf_counter()
        measured()
        durations.append(time.perf_counter() - start)
    return min(durations)


def _fresh_process() -> float:
    finished = subprocess.run([sys.executable, "-c", _FRESH], capture_output=True, text=True, check=True)
    return float(finished.stdout)
