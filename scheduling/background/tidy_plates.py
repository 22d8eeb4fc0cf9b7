"""Removing plates that nobody is to print from any more, and that can be drawn again.

Kept is every plate of a run that is not over, as of one that is to print columns once more: a board may ask for it. So
is the last plate of each run, by whose darkness ink is reckoned where others are gone. What is not a run's, as a file
that nobody planned, is left alone. Before a plate is removed it is drawn, and stays if another comes out: an older
release drew it.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta

from django.db import DEFAULT_DB_ALIAS
from django.db.models import Max, Min

from scheduling.background.extend_plans import always, printing_of
from scheduling.background.redraw_plates import PlateDiffers
from scheduling.log.claims import claimed
from scheduling.log.models import Run, Segment
from scheduling.log.projecting.projector import require_views
from scheduling.log.rows.row_sql import table
from scheduling.queries.runs import HAS_TO_COME
from scheduling.rendering.kept_files import StoreAway
from scheduling.rendering.plate_store import PlateStore
from scheduling.rendering.render import draw_plate
from scheduling.rendering.sky_parameters import turn_of
from scheduling.rendering.upload_store import UploadStore

# A board that has not heard for so long that a run was ended or taken back will have asked for work before it prints.
LEAST_AGE = timedelta(days=14)
# So many are drawn again before it is asked whether they may go still: that reads all that was planned.
TRIED_AT_ONCE = 50
# Plates that this process could not draw again: it tries none of them twice.
_stay: set[str] = set()

logger = logging.getLogger(__name__)


@dataclass(frozen=True)
class Untidy:
    """A plate that may go.

    Attributes:
        digest: of the plate.
        run: one that it was printed by.
        first_column: the first of that run that is on it.
        since: when the last of its columns was due, UTC.
        octets: as long as its file is.
    """

    digest: str
    run: str
    first_column: int
    since: datetime
    octets: int


def untidy(plates: PlateStore, now: datetime, older_than: timedelta, at_most: int | None = None) -> list[Untidy]:
    """The plates that may go, the oldest first.

    Args:
        plates: where they lie.
        now: this instant, UTC.
        older_than: those whose last column was due so long ago go; no younger than two weeks in any case.
        at_most: octets that all plates may take together; where they take more, younger ones go, too, the oldest first,
            but none below two weeks.

    Raises:
        ViewsSetAside: which runs are over cannot be told.
    """
    require_views("runs", "profiles")
    files = plates.sizes()
    found = sorted(_may_go(files), key=lambda one: (one.since, one.digest))
    rest, chosen = sum(files.values()), []
    for one in found:
        age = now - one.since
        if age >= LEAST_AGE and (age >= older_than or (at_most is not None and rest > at_most)):
            chosen.append(one)
            rest -= one.octets
    return chosen


def _may_go(files: dict[str, int]) -> list[Untidy]:
    """The plates on the disk that no run needs any more, with the run that had them last."""
    going_on: list[Run] = table(Run, DEFAULT_DB_ALIAS).where(HAS_TO_COME)
    still = {run.id for run in going_on}
    ends = dict(Segment.objects.values_list("run_id").annotate(Max("number")))
    kept, newest = set(), dict[str, Untidy]()
    of_runs = Segment.objects.values_list("plate", "run_id")
    for digest, run, first_column, since, number in of_runs.annotate(
        Min("first_column"), Max("ends_at"), Max("number")
    ):
        if run in still or number == ends[run]:
            kept.add(digest)
        elif digest in files and (digest not in newest or newest[digest].since < since):
            newest[digest] = Untidy(digest, run, first_column, since, files[digest])
    return [one for digest, one in newest.items() if digest not in kept]


def tidy(
    chosen: list[Untidy],
    plates: PlateStore,
    uploads: UploadStore | None,
    progress: Callable[[int, int], None] = lambda done, of: None,
) -> int:
    """Remove plates, each once it was drawn again with the same dots, and return how many that were.

    Args:
        chosen: of `untidy`; one that a run needs again meanwhile stays.
        plates: where they lie.
        uploads: where the files of sources lie; None where no source has one.
        progress: told after each plate how many were tried, and of how many.

    Raises:
        ExceptionGroup: some could not be drawn again, and stay; the others were removed.
        StoreAway: the store of plates does not answer any more.
    """
    removed, stay = _tidied(chosen, plates, uploads, progress, always)
    if stay:
        said = f"{len(stay)} plates cannot be drawn again, and stay; {removed} were removed"
        raise ExceptionGroup(said, [error for _, error in stay])
    return removed


def tidy_for_a_while(
    plates: PlateStore,
    uploads: UploadStore | None,
    now: datetime,
    older_than: timedelta,
    at_most: int | None,
    has_time: Callable[[], bool],
) -> int | None:
    """The same, of what may go now; None where somebody else is at it. One that cannot be drawn again stays, which is
    said once and is no failure: an older release drew it.

    Args:
        plates, uploads, now, older_than, at_most: see `untidy` and `tidy`.
        has_time: asked after each plate whether there is time for another; the next time goes on where this one ends.

    Raises:
        ViewsSetAside: which runs are over cannot be told.
        StoreAway: the store of plates does not answer.
    """
    with claimed("tidy plates") as ours:
        if not ours:
            return None
        chosen = [one for one in untidy(plates, now, older_than, at_most) if one.digest not in _stay]
        removed, stay = _tidied(chosen, plates, uploads, lambda done, of: None, has_time)
    for one, error in stay:
        _stay.add(one.digest)
        logger.info("plate %s cannot be drawn again, and stays: %s", one.digest, error)
    return removed


def _tidied(
    chosen: list[Untidy],
    plates: PlateStore,
    uploads: UploadStore | None,
    progress: Callable[[int, int], None],
    has_time: Callable[[], bool],
) -> tuple[int, list[tuple[Untidy, Exception]]]:
    """How many were removed, and those that cannot be drawn again, each with why."""
    removed, stay, same = 0, list[tuple[Untidy, Exception]](), list[Untidy]()
    for number, one in enumerate(chosen, 1):
        try:
            _require_drawn_again(one, plates, uploads)
            same.append(one)
        except StoreAway:
            raise
        except Exception as error:  # noqa: BLE001 - told by who called, when the others are removed
            stay.append((one, error))
        is_last = number == len(chosen) or not has_time()
        if number % TRIED_AT_ONCE == 0 or is_last:
            removed += _remove(same, plates)
            same.clear()
        progress(number, len(chosen))
        if is_last:
            break
    return removed, stay


def _remove(chosen: list[Untidy], plates: PlateStore) -> int:
    """Remove those that no run needs again meanwhile; drawing them may have taken long."""
    still = _may_go({one.digest: one.octets for one in chosen})
    for one in still:
        plates.remove(one.digest)
    return len(still)


def _require_drawn_again(one: Untidy, plates: PlateStore, uploads: UploadStore | None) -> None:
    printing = printing_of(Run.objects.get(id=one.run), plates, uploads)
    turn = one.first_column // printing.timeline.columns
    there = turn_of(printing.timeline.cycle, turn)
    drawn = draw_plate(printing.original, printing.profile, there, printing.place).digest
    if drawn != one.digest:
        raise PlateDiffers(one.run, turn, one.digest, drawn)
