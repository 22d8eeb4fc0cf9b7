"""The ink of a run that has no plates yet: its picture is drawn small, and each column taken to be as dark as there.

    drawn        |  a  |  b  |  c  |  d  |  a  |  b  |       the mean of a turn's drawings, wrapped
    of the run      ~~~~~~~~~~~~~~~~~~~~~~~~~~               from its first column to its end, within whatever turn

Dots keep the mean tone of a picture, so the scale hardly matters; lines that are finer than a small column is wide are
drawn too wide, which makes a map with many of them some hundredths too dark.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable
from dataclasses import dataclass
from itertools import count

import numpy as np

from machines.imaging.halftone import asked_of
from machines.model.profile import CarriageHead, Profile
from machines.model.supplies import use
from scheduling.log.models import Run, Source
from scheduling.planning.timeline import Timeline
from scheduling.rendering.render import RenderSource, draw_small
from scheduling.rendering.sky_parameters import Turn, turn_of
from scheduling.rendering.sources import render_source
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
# Of a drawing, by what it depends on, and how it is made: what was made before, or is made now.
Made = Callable[[Hashable, Callable[[], bytes]], bytes]


def anew(depends_on: Hashable, make: Callable[[], bytes]) -> bytes:
    """A drawing that is made each time."""
    return make()


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
    made: Made = anew,
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
        made: who draws each turn, or has it from before; a form asks again with every field that is changed.

    Returns:
        None of a machine that uses no ink.

    Raises:
        InputError: the picture does not fit the machine, or its file is gone.
        Exception: whatever ``made`` raises.
    """
    head = profile.head
    if not isinstance(head, CarriageHead):
        return None
    original = render_source(source, uploads)
    changes = original.picture.changes_with_turn
    columns = min(profile.columns_per_turn, MOST_COLUMNS_CHANGING if changes else MOST_COLUMNS)
    numbers = _spread(run, profile.columns_per_turn)[: None if changes else 1]

    def coverage(number: int) -> FloatArray:
        turn = turn_of(timeline.cycle, number)
        # Two sources of the same drawing share it, and none is kept with its file.
        of = ("ink", original.picture, source.upload, original.method, original.curve, profile, columns, turn, place)
        return np.frombuffer(made(of, lambda: _coverage(original, profile, columns, turn, place)), dtype=np.float64)

    dark = np.mean([coverage(number) for number in numbers], axis=0)
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


def _coverage(original: RenderSource, profile: Profile, columns: int, turn: Turn, place: Place) -> bytes:
    """The share of each small column that is dots, as float64."""
    tone = draw_small(original, profile, columns, turn, place)
    found: FloatArray = asked_of(tone, original.method, original.curve).mean(axis=0, dtype=np.float64)
    return found.tobytes()


def _spread(run: Run, per_turn: int) -> list[int]:
    """Numbers of some turns that a run holds something of, the first among them, none of them twice."""
    first, end = run.first_column // per_turn, -(-run.end_column // per_turn)
    if end - first <= MOST_TURNS:
        return list(range(first, end))
    found: dict[int, None] = {}
    for number in count():  # of few turns some are met twice before the others
        found[first + int(number * GOLDEN % 1.0 * (end - first))] = None
        if len(found) == MOST_TURNS:
            break
    return list(found)


def _dots(dark: FloatArray, profile: Profile, ranges: Iterable[tuple[int, int]]) -> float:
    """The dots of running columns, by how dark each of a turn is."""
    per_turn = profile.columns_per_turn
    of_column = dark[np.arange(per_turn) * len(dark) // per_turn] * profile.dots_across
    before = np.concatenate([[0.0], np.cumsum(of_column)])

    def through(column: int) -> float:
        return float(column // per_turn * before[-1] + before[column % per_turn])

    return sum(through(end) - through(first) for first, end in ranges)
