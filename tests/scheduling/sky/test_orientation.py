from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest

from scheduling.sky.ephemeris import data_file
from scheduling.sky.orientation import OrientationError, read_finals

BLANK = " " * 187


def line(mjd: float, flag: str = " ", ut1: float | None = None) -> str:
    """A line of the table with only what is read of it, in the columns of its readme."""
    number = "" if ut1 is None else f"{ut1:10.7f}"
    return f"{BLANK[:7]}{mjd:8.2f}{BLANK[15:57]}{flag}{number:10}{BLANK[68:]}"


def table(path: Path, lines: Sequence[str]) -> Path:
    path.write_text("".join(f"{each}\n" for each in lines), encoding="ascii")
    return path


def test_the_columns_of_a_table(tmp_path: Path) -> None:
    lines = [line(60000.0, "I", 0.1234567), line(60001.0, "I", -0.5), line(60002.0, "P", -0.6), line(60003.0)]
    found = read_finals(table(tmp_path / "finals", lines))
    assert found.mjd.tolist() == [60000.0, 60001.0, 60002.0]
    assert found.ut1_minus_utc.tolist() == [0.1234567, -0.5, -0.6]
    assert found.measured_until_mjd == 60001.0


def test_the_table_in_use_is_read_to_the_last_digit() -> None:
    path = data_file("finals2000A.all")
    found = read_finals(path)
    slowly = [
        (float(each[7:15]), float(each[58:68]), each[57])
        for each in path.read_text(encoding="ascii").splitlines()
        if each[58:68].strip()
    ]
    assert found.mjd.tolist() == [mjd for mjd, _, _ in slowly]
    assert found.ut1_minus_utc.tolist() == [ut1 for _, ut1, _ in slowly]
    assert found.measured_until_mjd == max(mjd for mjd, _, flag in slowly if flag == "I")


def test_a_year_is_predicted_beyond_the_last_measurement() -> None:
    found = read_finals(data_file("finals2000A.all"))
    assert 300 < found.mjd[-1] - found.measured_until_mjd < 400


def test_the_jumps_are_leap_seconds() -> None:
    found = read_finals(data_file("finals2000A.all"))
    jumps = np.flatnonzero(np.abs(np.diff(found.ut1_minus_utc)) > 0.5)
    assert len(jumps) == 25  # from 1974 to 2017
    assert np.diff(found.ut1_minus_utc)[jumps] == pytest.approx(1.0, abs=0.01)


@pytest.mark.parametrize(
    "lines",
    [
        [],
        ["short"],
        [line(60000.0, "I", 0.1), "uneven"],
        [line(60000.0)],
        [line(60000.0, "P", 0.1)],
        [line(60000.0, "P", 0.1), line(60001.0, "I", 0.1)],
        [line(60000.0, "I", 0.1), line(60001.0), line(60002.0, "P", 0.1)],
        [line(60000.0, "I", 0.1), line(60002.0, "I", 0.1)],
        [line(60000.0, "I", 0.1), line(60001.0, "I", 0.1).replace(" 0.1000000", "0.10000000")],
    ],
)
def test_anything_else_is_refused(tmp_path: Path, lines: list[str]) -> None:
    with pytest.raises(OrientationError, match=r"finals|decimal points"):
        read_finals(table(tmp_path / "finals", lines))
