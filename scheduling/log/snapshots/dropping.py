"""How far snapshots are taken, and having none of them any more."""

from __future__ import annotations

from django.db import transaction

from scheduling.log.models import Snapshot, SnapshotPart, SnapshotsTaken


def taken(*, lock: bool = False, using: str) -> SnapshotsTaken:
    """How far they are taken; with ``lock``, nobody else takes or drops any until the caller's transaction is over."""
    rows = SnapshotsTaken.objects.using(using)
    found, _ = (rows.select_for_update() if lock else rows).get_or_create(id=1)
    return found


def reach(how_far: SnapshotsTaken, position: int, using: str) -> None:
    """Snapshots are taken up to a position of the log."""
    how_far.position = position
    how_far.save(using=using)


def drop(*, program: str = "", using: str) -> None:
    """Have no snapshot any more: what the log says has changed, or may have. They are taken again, by and by.

    Args:
        program: that takes them from now on, if it is known.
        using: alias of the database.
    """
    with transaction.atomic(using=using):
        how_far = taken(lock=True, using=using)
        Snapshot.objects.using(using).all().delete()
        SnapshotPart.objects.using(using).all().delete()
        how_far.program, how_far.dropped = program, how_far.dropped + 1
        reach(how_far, 0, using)
