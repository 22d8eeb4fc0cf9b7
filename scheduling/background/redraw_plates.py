"""Drawing plates anew that are planned, and that the disk has lost or cut short.

A plate follows from its run and its turn, so it can be drawn at any time. It has to come out the same to the last dot:
nodes hold work that names it by its digest.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from django.db import DEFAULT_DB_ALIAS

from machines.errors import DayrollError
from scheduling.background.extend_plans import always, printing_of, sky_of
from scheduling.log import batched_sql
from scheduling.log.claims import claimed
from scheduling.log.models import Run
from scheduling.queries.run_versions import run_profile
from scheduling.queries.runs import HAS_TO_COME, STILL_OPEN
from scheduling.rendering.plate_recipe import recipe_of
from scheduling.rendering.plate_store import PlateStore
from scheduling.rendering.render import plate_under
from scheduling.rendering.upload_store import UploadStore

# Asked every minute, where Django's queries take too long.
_DUE = f"{STILL_OPEN} AND run_id IN (SELECT id FROM log_run WHERE {HAS_TO_COME})"
_NEEDED = (
    "SELECT plate, run_id, MIN(first_column) AS first FROM log_segment WHERE {} GROUP BY plate, run_id ORDER BY first"
)
# Plates that this process has tried to draw and could not: the next time they come last, and hold up no others.
_in_vain: set[str] = set()


class PlateDiffers(DayrollError):
    """A plate that is lost cannot be drawn as it was: the sky's data or the way of drawing have changed since."""

    def __init__(self, run: str, turn: int, planned: str, drawn: str) -> None:
        super().__init__(
            f"run {run!r}, turn {turn}: plate {planned} is lost, and what is drawn now is {drawn}",
            "put the file back from a copy, or install the release that drew it",
        )
        self.run, self.turn, self.planned, self.drawn = run, turn, planned, drawn


@dataclass(frozen=True)
class _Lost:
    """A plate that is missing: its digest, and a turn of a run that needs it."""

    run: str
    turn: int
    digest: str


def redraw_lost(
    plates: PlateStore,
    uploads: UploadStore | None = None,
    *,
    printed_too: bool = False,
    has_time: Callable[[], bool] = always,
    progress: Callable[[int, int], None] = lambda done, of: None,
) -> int | None:
    """Draw the missing plates of all segments that are not accounted for, or of which columns are to be printed once
    more, and return how many that were; None where somebody else is at it, and nothing was looked at.

    One does it at a time. Two at once are harmless all the same: what they draw is equal.

    Args:
        plates: where plates are kept.
        uploads: where the files of sources lie; None where no source has one.
        printed_too: those that only proofs need, too, as after a studio has moved to another server.
        has_time: asked after each plate whether there is time for another; the next time goes on where this one ends.
        progress: told after each plate how many were tried, and of how many.

    Raises:
        ExceptionGroup: some could not be drawn; the others were.
        StoreAway: which are missing is not known, as the store of plates does not answer.
    """
    drawn, failures = 0, []
    with claimed("redraw lost plates") as ours:
        if not ours:
            return None
        every = sorted(_lost(plates, printed_too), key=lambda lost: lost.digest in _in_vain)
        for number, lost in enumerate(every, 1):
            try:
                _redraw(lost, plates, uploads)
                drawn += 1
                _in_vain.discard(lost.digest)
            except Exception as error:  # noqa: BLE001 - raised again below, when the others are drawn
                error.add_note(f"while drawing the plate of run {lost.run!r}, turn {lost.turn} anew")
                failures.append(error)
                _in_vain.add(lost.digest)
            progress(number, len(every))
            if not has_time():
                break
    if failures:
        raise ExceptionGroup(f"{len(failures)} lost plates could not be drawn anew; {drawn} others were", failures)
    return drawn


def _lost(plates: PlateStore, printed_too: bool) -> Iterator[_Lost]:
    (needed,) = batched_sql.run([(_NEEDED.format("TRUE" if printed_too else _DUE), ())], using=DEFAULT_DB_ALIAS)
    firsts: dict[str, tuple[str, int]] = {}
    for digest, run, first_column in needed:
        firsts.setdefault(digest, (run, first_column))
    for digest in plates.missing(firsts):
        run, first_column = firsts[digest]
        yield _Lost(run, first_column // run_profile(Run.objects.get(id=run)).columns_per_turn, digest)


def _redraw(lost: _Lost, plates: PlateStore, uploads: UploadStore | None) -> None:
    """Draw it, whatever is remembered of what it is drawn from, and keep it only where it is what the log says."""
    printing = printing_of(Run.objects.get(id=lost.run), plates, uploads)
    sky = sky_of(printing, lost.turn)
    plate = plate_under(printing.original, printing.profile, sky)
    if plate.digest != lost.digest:
        raise PlateDiffers(lost.run, lost.turn, lost.digest, plate.digest)
    plates.put(plate, recipe_of(printing.original, printing.profile, sky))
