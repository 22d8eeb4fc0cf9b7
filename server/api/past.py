"""One of a resource as it was at a past instant.

Two instants are meant by "then": when a thing happened, and when the server was told of it; see `scheduling.log.past`.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import Any, ClassVar

from django.http import Http404
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter
from rest_framework.request import Request

from machines.structure import parse_instant
from scheduling.log.past import Moment
from server.api.doors import Item


def asked_instant(request: Request, name: str) -> datetime | None:
    """An instant of the query; None where it is not given.

    Raises:
        InputError: it is no instant.
    """
    text = request.query_params.get(name)
    return None if text is None else parse_instant(text, name)


class PastItem(Item):
    """One of a resource: as it stands, or as it was ``at`` an instant, or as it was ``known_by`` one.

    Attributes:
        as_it_was: gives the row by its id and the moment; None where there was none.
    """

    parameters = ("at", "known_by")
    described: ClassVar = {
        "at": OpenApiParameter("at", OpenApiTypes.DATETIME, description="What had happened by then; all if not given.")
    }
    as_it_was: ClassVar[Callable[[str, Moment], Any]]

    def get_object(self) -> Any:
        """The row now, or then."""
        moment = Moment(happened_by=asked_instant(self.request, "at"), known_by=asked_instant(self.request, "known_by"))
        if moment == Moment():
            return super().get_object()
        row = type(self).as_it_was(self.kwargs["pk"], moment)
        if row is None:
            raise Http404(f"There was no {self.kwargs['pk']!r} then.")
        return row
