"""What others name and the log has no more: its stream was closed into an archive, and what other streams said stays.

`scheduling.queries.still_named` says beforehand who would be left so.
"""

from __future__ import annotations

from typing import Any

from django.db.models import Exists, OuterRef, QuerySet

from machines.errors import InputError
from scheduling.log.models import Machine, Profile, Venue


class ClosedAway(InputError):
    """Something that is named was closed into an archive.

    Args:
        kind: of thing.
        id: of it.
        or_else: what else it may have been, between commas.
    """

    def __init__(self, kind: str, id: str, or_else: str = "") -> None:
        problem = f"{kind} {id!r}{or_else} was closed into an archive"
        super().__init__(kind, problem, "all that was said of it is in that file")


def still_there(model: type[Any], kind: str, id: str) -> Any:
    """The row that another names.

    Raises:
        ClosedAway: there is none any more.
    """
    row = model.objects.filter(pk=id).first()
    if row is None:
        raise ClosedAway(kind, id)
    return row


def machines_in_use() -> QuerySet[Machine]:
    """The machines that are used; none whose venue or model was closed away, of which nothing can be said."""
    venue, model = (of.objects.filter(pk=OuterRef(name)) for of, name in ((Venue, "venue_id"), (Profile, "profile_id")))
    return Machine.objects.filter(Exists(venue), Exists(model), retired_at=None)
