"""The ink of a run that has no plates yet: its picture is drawn small, and each column taken to be as dark as there.

    drawn        |  a  |  b  |  c  |  d  |  a  |  b  |       the mean of a turn's drawings, wrapped
    of the run      ~~~~~~~~~~~~~~~~~~~~~~~~~~               from its first column to its end, within whatever turn

Dots keep the mean tone of a picture, so the scale hardly matters; lines that are finer than a small column is wide are
drawn too wide, which makes a map with many of them some hundredths too dark.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from machines.imaging.halftone import asked_of
from machines.model.profile import CarriageHead, Profile
from machines.model.supplies import use
from scheduling.log.models import Run, Source
from scheduling.planning.timeline import Timeline
from scheduling.rendering.render import RenderSource, draw_small
from scheduling.rendering.sky_parameters import Turn, turn_of
from scheduling.rendering.sources import read_upload, render_source
from scheduling.rendering.upload_store import UploadStore
from scheduling.sky.arrays import FloatArray
from scheduling.sky.places import Place
from scheduling.supplies.consumption import idle_firing
from scheduling.supplies.left_out import Ranges
from scheduling.venues.quiet import QuietBetween, loud_s

# Columns to a turn, of a picture that is every turn the same, and of one that changes; and how many turns of that.
MOST_COLUMNS, MOST_COLUMNS_CHANGING, MOST_TURNS = 960, 480, 8
# Turns at multiples of it, wrapped into the run, lie evenly and in step with no period of the sky.
GOLDEN = (5**0.5 - 1) / 2


@dataclass(frozen=True, kw_only=True)
class InkEstimate:
    """How much ink a run takes, by a drawing of its picture that is smaller than what is printed.

    Attributes:
        picture_ml: of its dots.
        idle_ml: fired to keep nozzles open, outside quiet hours; None where the model does not say how that is done.
        cartridges: how many new ones hold both; None where the model does not say how much one holds.
        drawn_columns: to a turn.
        columns_per_turn: that are printed.
        drawn_turns: how many different turns were drawn, spread over the run.
    """

    picture_ml: float
    idle_ml: float | None
    cartridges: float | None
    drawn_columns: int
    columns_per_turn: int
    drawn_turns: int


def ink_estimate(
    run: Run,
    profile: Profile,
    source: Source,
    timeline: Timeline,
    place: Place,
    uploads: UploadStore | None,
    out: Ranges = (),
    quiet: QuietBetween | None = None,
) -> InkEstimate | None:
    """How much ink a run takes from its first column to its end.

    Args:
        run: as it would be.
        profile: of its machine.
        source: that it prints.
        timeline: its columns against its cycle.
        place: from where its sky is seen.
        uploads: where the files of sources lie; None where the source has none.
        out: running columns that are never laid.
        quiet: when no idle nozzle is fired; None where it always may be.

    Returns:
        None of a machine that uses no ink.

    Raises:
        InputError: the picture does not fit the machine, or its file is gone.
    """
    head = profile.head
    if not isinstance(head, CarriageHead):
        return None
    original = render_source(source, uploads)
    changes = original.picture.changes_with_turn
    columns = min(profile.columns_per_turn, MOST_COLUMNS_CHANGING if changes else MOST_COLUMNS)
    numbers = _spread(run, profile.columns_per_turn)[: None if changes else 1]
    drawings = (
        _Drawing(
            original=replace(original, upload=None),
            upload=source.upload,
            uploads=uploads,
            profile=profile,
            columns=columns,
            turn=turn_of(timeline.cycle, number),
            place=place,
        )
        for number in numbers
    )
    dark = np.mean([_coverage(one) for one in drawings], axis=0)
    dots = _dots(dark, profile, [(run.first_column, run.end_column)]) - _dots(dark, profile, out)
    idle = idle_firing(profile)
    seconds = loud_s(quiet, run.starts_at, run.ends_at)
    used = use(profile, columns=0, dots=round(dots), seconds=seconds, idle=idle)
    return InkEstimate(
        picture_ml=used.picture_ml,
        idle_ml=None if idle is None else used.idle_ml,
        cartridges=None if head.cartridge_ml is None else used.ink_ml / head.cartridge_ml,
        drawn_columns=columns,
        columns_per_turn=profile.columns_per_turn,
        drawn_turns=len(numbers),
    )


@dataclass(frozen=True, kw_only=True)
class _Drawing:
    """A turn of a source on a machine, small; its file is read anew, so that none is kept for it."""

    original: RenderSource
    upload: str | None
    uploads: UploadStore | None
    profile: Profile
    columns: int
    turn: Turn
    place: Place


@lru_cache(maxsize=256)  # a form asks again with every field that is changed; some eight kilobytes each
def _coverage(drawing: _Drawing) -> FloatArray:
    """The share of each small column that is dots."""
    content = None if drawing.upload is None else read_upload(drawing.upload, drawing.uploads)
    original = replace(drawing.original, upload=content)
    tone = draw_small(original, drawing.profile, drawing.columns, drawing.turn, drawing.place)
    found: FloatArray = asked_of(tone, original.method, original.curve).mean(axis=0, dtype=np.float64)
    found.setflags(write=False)
    return found


def _spread(run: Run, per_turn: int) -> list[int]:
    """Numbers of some turns that a run holds something of, the first among them."""
    first, end = run.first_column // per_turn, -(-run.end_column // per_turn)
    if end - first <= MOST_TURNS:
        return list(range(first, end))
    return [first + int(number * GOLDEN % 1.0 * (end - first)) for number in range(MOST_TURNS)]


def _dots(dark: FloatArray, profile: Profile, ranges: Iterable[tuple[int, int]]) -> float:
    """The dots of running columns, by how dark each of a turn is."""
    per_turn = profile.columns_per_turn
    of_column = dark[np.arange(per_turn) * len(dark) // per_turn] * profile.dots_across
    before = np.concatenate([[0.0], np.cumsum(of_column)])

    def through(column: int) -> float:
        return float(column // per_turn * before[-1] + before[column % per_turn])

    return sum(through(end) - through(first) for first, end in ranges)
