"""The most that drawing one plate takes, in a process of its own: `python -m tests.benchmarks.plate_memory moon
diffusion`.

A plate is drawn, named and written as PNG, 14 400 by 7200 dots on 610 mm by 305 mm. What is counted is how far the
memory that is resident rose above what it was before (VmHWM, VmRSS), so without the program itself and what it reads
once. The pictures are those that the server draws by itself; an image that was uploaded takes what its file takes, too.
"""

from __future__ import annotations

import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from machines.imaging.halftone import Method, dots_of
from machines.imaging.pictures import (
    DaylightMap,
    LandPicture,
    MoonDisc,
    Picture,
    SkyNumbers,
    StarBelt,
    YearOfDaylight,
    pieces,
    read_stars,
)
from machines.imaging.plate import Plate
from machines.serialization import structure

COLUMNS, ROWS = 14_400, 7200
WIDTH_MM, HEIGHT_MM = 609.6, 304.8
PHASES = np.arange(720) / 720
SKY = SkyNumbers(
    instant=datetime(2026, 10, 24, tzinfo=UTC),
    moon_lit_fraction=0.4,
    moon_limb_angle_degrees=70.0,
    moon_age_days=5.0,
    subsolar_latitude_degrees=-12.0,
    subsolar_longitude_degrees=20.0,
    sun_declination_degrees=23.4 * np.sin(2 * np.pi * PHASES),
    equation_of_time_minutes=8.0 * np.sin(4 * np.pi * PHASES),
    obliquity_degrees=23.4,
    moon_ra_degrees=np.linspace(40.0, 53.0, 100),
    moon_dec_degrees=np.linspace(10.0, 15.0, 100),
    star_ra_degrees=read_stars().ra_degrees_j2000,
    star_dec_degrees=read_stars().dec_degrees_j2000,
    star_magnitude=read_stars().magnitude,
)
PICTURES: dict[str, Picture] = {
    "land": LandPicture(),
    "lines": LandPicture(style="hatching", ink=0.6, line_mm=0.5, graticule_degrees=15.0),
    "stars": StarBelt(ecliptic=True, moon_path=True),
    "moon": MoonDisc(diameter_mm=280.0, caption_mm=10.0, sky_ink=0.2),
    "year": YearOfDaylight(latitude_degrees=40.0),
    "daylight": DaylightMap(),
}
METHODS: tuple[Method, ...] = ("blue-noise", "diffusion")


def drawn(picture: Picture, method: Method, columns: int, rows: int) -> tuple[str, bytes]:
    """A plate by its name and as it is kept."""
    tone = pieces(picture, SKY, columns, rows, WIDTH_MM, HEIGHT_MM)
    plate = Plate(dots_of(tone, rows, columns, method))
    return plate.digest, plate.to_png()


def bytes_a_dot() -> float:
    """The most of all pictures and both ways of drawing."""
    return max(in_own_process(name, method) for name in PICTURES for method in METHODS)


def in_own_process(name: str, method: Method) -> float:
    """How many bytes a dot one of them takes."""
    command = [sys.executable, "-m", "tests.benchmarks.plate_memory", name, method]
    return float(subprocess.run(command, check=True, stdout=subprocess.PIPE).stdout)


def _measure(picture: Picture, method: Method) -> float:
    drawn(picture, method, COLUMNS // 16, ROWS // 16)  # what is read and made once
    before = _resident("VmRSS")
    Path("/proc/self/clear_refs").write_text("5")  # the most is counted from here on, see proc(5)
    drawn(picture, method, COLUMNS, ROWS)
    return (_resident("VmHWM") - before) / (COLUMNS * ROWS)


def _resident(name: str) -> int:
    """Bytes, by the kernel's account of this process; it gives kibibytes."""
    status = dict(line.split(":", 1) for line in Path("/proc/self/status").read_text().splitlines())
    return int(status[name].split()[0]) * 1024


if __name__ == "__main__":
    print(_measure(PICTURES[sys.argv[1]], structure(sys.argv[2], Method)))
