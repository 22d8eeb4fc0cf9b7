from __future__ import annotations

import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime

import numpy as np
import pytest

from scheduling.sky import ephemeris
from scheduling.sky.ephemeris import Ephemeris, EphemerisRangeError, load


def test_it_is_loaded_once() -> None:
    assert load() is load()


def test_threads_that_start_together_load_it_once(monkeypatch: pytest.MonkeyPatch) -> None:
    opened: list[Ephemeris] = []
    loaded = load()

    def counting_open() -> Ephemeris:
        opened.append(loaded)
        time.sleep(0.05)
        return loaded

    monkeypatch.setattr(ephemeris, "_loaded", [])
    monkeypatch.setattr(ephemeris, "_open", counting_open)
    with ThreadPoolExecutor(8) as threads:
        found = list(threads.map(lambda _: load(), range(8)))
    assert len(opened) == 1
    assert all(each is found[0] for each in found)


def test_it_covers_what_de421_covers() -> None:
    first, last = load().span()
    assert first.date().isoformat() == "1899-07-30"
    assert last.date().isoformat() == "2053-10-06"


def test_an_instant_outside_says_the_range() -> None:
    loaded = load()
    with pytest.raises(EphemerisRangeError) as refused:
        loaded.check_tt(np.array([0.0, loaded.last_tt + 1e8]))
    assert refused.value.instant is not None
    assert refused.value.instant.year == 2056
    assert (refused.value.first, refused.value.last) == loaded.span()
    assert "2056" in str(refused.value)
    assert "1899-07-31 to 2053-10-05" in str(refused.value)


def test_no_day_is_said_to_be_covered_of_which_an_instant_is_not() -> None:
    loaded = load()
    for end, beyond in ((loaded.first_tt, -1.0), (loaded.last_tt, 1.0)):
        with pytest.raises(EphemerisRangeError) as refused:
            loaded.check_tt(np.array([end + beyond]))
        asked = refused.value.problem.partition(" ")[0]
        first_day, last_day = refused.value.remedy.removeprefix("JPL DE421 covers ").removesuffix(" UTC").split(" to ")
        assert not first_day <= asked <= last_day


def test_a_year_of_few_digits_is_written_with_four() -> None:
    with pytest.raises(EphemerisRangeError, match=r"0001-01-0\d is outside"):
        load().check_tt(load().scales.tt_from_posix(np.array([-62_135_500_000.0])))


@pytest.mark.parametrize("tt", [1e300, -1e300, np.inf, -np.inf])
def test_an_instant_beyond_any_calendar_says_the_range_too(tt: float) -> None:
    with pytest.raises(EphemerisRangeError, match="1899-07-31 to 2053-10-05"):
        load().check_tt(np.array([tt]))


def test_the_ends_themselves_are_inside() -> None:
    loaded = load()
    ends = np.array([loaded.first_tt, loaded.last_tt])
    loaded.check_tt(ends)
    # The kernel itself can be asked there: the Earth is about one astronomical unit from the Sun.
    assert loaded.earth.at(loaded.time(ends)).observe(loaded.sun).distance().au == pytest.approx(1.0, abs=0.02)


def test_the_time_object_is_that_of_skyfield() -> None:
    loaded = load()
    days = np.linspace(-36_000.0, 19_000.0, 100)
    ours, theirs = loaded.time(days * 86_400.0), loaded.timescale.tt_jd(2_451_545.0, days)
    assert np.abs((ours - theirs) * 86_400.0).max() < 1e-6
    assert ours.gast == pytest.approx(theirs.gast, abs=1e-9)
    assert np.abs(ours.M - theirs.M).max() < 1e-12


def test_one_instant_can_be_asked_for() -> None:
    assert load().time(0.0).gast == pytest.approx(18.6794, abs=0.0001)  # a minute before 12h UT1


def test_its_files_come_with_the_package_and_nothing_is_asked_of_the_network() -> None:
    """In a process of its own, in which opening a connection is an error."""
    script = (
        "import socket\n"
        "def refuse(*args, **kwargs): raise AssertionError('the network was asked')\n"
        "socket.socket.connect = refuse\n"
        "socket.create_connection = refuse\n"
        "from scheduling.sky import cycles\n"
        "print(cycles.get('apparent-solar-day').turns([1.7e9])[0])\n"
    )
    finished = subprocess.run([sys.executable, "-W", "error", "-c", script], capture_output=True, text=True, check=True)
    days = (1.7e9 - datetime(2000, 1, 1, tzinfo=UTC).timestamp()) / 86_400.0
    assert float(finished.stdout) == pytest.approx(days, abs=0.02)


def test_importing_loads_nothing() -> None:
    script = (
        "import scheduling.sky.almanac, scheduling.sky.anchors, scheduling.sky.cycles\n"
        "from scheduling.sky import bodies, ephemeris\n"
        "print(len(ephemeris._loaded), len(bodies._skies))\n"
    )
    finished = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert finished.stdout.split() == ["0", "0"]
