"""A small picture of a turn of a run that nothing is drawn of yet, as a page of many runs shows it."""

from __future__ import annotations

from machines.imaging.pictures import Sheet, from_json, thumbnail_png
from scheduling.log.models import Run
from scheduling.queries.machine_context import machine_context
from scheduling.queries.run_versions import run_source
from scheduling.rendering.sky_parameters import sky_numbers, turn_of
from scheduling.rendering.sources import render_source
from server import wiring
from server.heavy import ANSWERS

WIDTH_PX = 320


def run_tile(run: Run) -> bytes:
    """The first turn of a run, without dots, as PNG.

    Args:
        run: with its machine and its source.

    Raises:
        InputError: it cannot be drawn.
        Busy: too many pictures are being made.
    """
    context = machine_context(run.machine, wiring.now())
    profile, source = context.model_of(run), run_source(run)
    sheet = Sheet(
        columns=profile.columns_per_turn,
        rows=profile.dots_across,
        width_mm=profile.mm_per_turn,
        height_mm=profile.print_width_mm,
        travel=profile.travel,
    )

    def made() -> bytes:
        picture, upload = from_json(source.picture), render_source(source, wiring.uploads()).upload
        turn = turn_of(context.timeline(run).cycle, run.first_column // profile.columns_per_turn)
        sky = sky_numbers(picture, turn, context.at_venue.place)
        return thumbnail_png(picture, sky, sheet, WIDTH_PX, upload)

    return ANSWERS.get(("run-tile", run.id, run.revision, source.version, sheet), made)
