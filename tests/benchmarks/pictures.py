"""Pictures and head plans against what the libraries beneath do by themselves, on the land at 300 dpi, 500 by 250 mm.

| name | baseline | ours | goal |
| --- | --- | --- | --- |
| plate-render | Pillow fills the polygons and converts to "1" | picture to dots, edges smooth, no seam | 1/3 |
| plate-memory | 3 bytes a dot | the most that drawing a plate of 104 million dots takes, of any picture | 1 |
| head-plan | numpy draws a random byte for each place | masks of 12 nozzles and 3 passes | 1/6 |
| head-plan-memory | 6 bytes a dot | the most that planning a segment takes | 1 |

The raster is the same for all; a plan is made segment by segment. Baseline and ours take turns, and the least time of
several rounds counts: noise only ever adds.
"""

from __future__ import annotations

import time
import tracemalloc
from collections.abc import Callable
from itertools import pairwise

import numpy as np
from PIL import Image, ImageDraw

from machines.imaging.halftone import dots_of
from machines.imaging.pictures import LandPicture, SkyNumbers, pieces
from machines.imaging.pictures.geojson import read_land
from machines.model.head import plan
from machines.model.profile import CarriageHead
from tests.benchmarks.plate_memory import bytes_a_dot
from tests.benchmarks.row import Row

WIDTH_MM, HEIGHT_MM = 500.0, 250.0
COLUMNS, ROWS = round(WIDTH_MM / 25.4 * 300), round(HEIGHT_MM / 25.4 * 300)
SEGMENTS = 48
HEAD = CarriageHead(nozzles=12, passes=3, drop_pl=10.0)
ROUNDS = 7


def rows() -> list[Row]:
    """The measurements."""
    dots = render()
    return [plate_render(), plate_memory(), head_plan(dots), head_plan_memory(dots)]


def in_turns(baseline: Callable[[], object], ours: Callable[[], object]) -> tuple[float, float]:
    """The least seconds that each takes."""
    best = [float("inf")] * 2
    for _ in range(ROUNDS):
        for index, work in enumerate((baseline, ours)):
            start = time.perf_counter()
            work()
            best[index] = min(best[index], time.perf_counter() - start)
    return best[0], best[1]


def render() -> np.ndarray:
    tone = pieces(LandPicture(), SkyNumbers(), COLUMNS, ROWS, WIDTH_MM, HEIGHT_MM)
    return dots_of(tone, ROWS, COLUMNS)


def plate_render() -> Row:
    """The polygons are read, and for the baseline projected too, before the clock starts."""
    scale, origin = np.array([COLUMNS / 360, -ROWS / 180]), np.array([COLUMNS / 2, ROWS / 2])
    polygons = [
        [(ring * scale + origin).ravel().tolist() for ring in rings] for rings in read_land("land-50m").closed_polygons
    ]

    def bare() -> Image.Image:
        image = Image.new("L", (COLUMNS, ROWS))
        pen = ImageDraw.Draw(image)
        for outer, *holes in polygons:
            pen.polygon(outer, fill=255)
            for hole in holes:
                pen.polygon(hole, fill=0)
        return image.convert("1")

    return Row("plate-render", *in_turns(bare, render), unit="s", goal=1 / 3)


def plate_memory() -> Row:
    return Row("plate-memory", 3.0, bytes_a_dot(), unit="bytes/dot", goal=1.0)


def segments(dots: np.ndarray) -> list[tuple[int, np.ndarray]]:
    """First column and dots of the segments of a turn."""
    edges = [(2 * slot * COLUMNS + SEGMENTS) // (2 * SEGMENTS) for slot in range(SEGMENTS + 1)]
    return [(first, np.ascontiguousarray(dots[:, first:end])) for first, end in pairwise(edges)]


def head_plan(dots: np.ndarray) -> Row:
    parts = segments(dots)

    def masks() -> None:
        for first, part in parts:
            plan(part, first, HEAD, seed=1).masks()

    def bytes_drawn() -> np.ndarray:
        return np.random.default_rng(1).integers(0, 256, size=dots.shape, dtype=np.uint8)

    return Row("head-plan", *in_turns(bytes_drawn, masks), unit="s", goal=1 / 6)


def head_plan_memory(dots: np.ndarray) -> Row:
    """With the segment's own dots counted in."""
    first, part = segments(dots)[0]
    plan(part, first, HEAD, seed=1)
    tracemalloc.start()
    held = plan(part.copy(), first, HEAD, seed=1)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    return Row("head-plan-memory", 6.0, peak / held.numbers.size, unit="bytes/dot", goal=1.0)
