"""A resource as it was at a past instant.

Two instants are meant by "then": when a thing happened, and when the server was told of it; see
`scheduling.log.projecting.as_of`.
"""

from __future__ import annotations

from datetime import datetime
from typing import Any, ClassVar

from django.http import Http404
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter
from rest_framework.request import Request
from rest_framework.response import Response

from machines.serialization import parse_instant
from scheduling.log.moment import AsOf
from server.api.base_views import Collection, Item, List

PARAMETERS = ("at", "known_by")
DESCRIBED = {
    "at": OpenApiParameter("at", OpenApiTypes.DATETIME, description="What had happened by then; all if not given.")
}


def asked_instant(request: Request, name: str) -> datetime | None:
    """An instant of the query; None where it is not given.

    Raises:
        InputError: it is no instant.
    """
    text = request.query_params.get(name)
    return None if text is None else parse_instant(text, name)


def asked_moment(request: Request) -> AsOf:
    """Which facts a query wants to count; all, where it does not say."""
    return AsOf(happened_by=asked_instant(request, "at"), known_by=asked_instant(request, "known_by"))


class PastItem(Item):
    """One of a resource: as it stands, or as it was ``at`` an instant, or as it was ``known_by`` one.

    Attributes:
        as_it_was: gives the row by its id and the moment; None where there was none.
    """

    parameters = PARAMETERS
    described: ClassVar = DESCRIBED
    as_it_was: Any = None

    def get_object(self) -> Any:
        """The row now, or then."""
        moment = asked_moment(self.request)
        if moment == AsOf():
            return super().get_object()
        row = self.as_it_was(self.kwargs["pk"], moment)
        if row is None:
            raise Http404(f"There was no {self.kwargs['pk']!r} then.")
        return row


class PastList(List):
    """A resource: as it stands, or as it was ``at`` an instant, or as it was ``known_by`` one.

    Every page wants the same instants. With ``known_by`` the pages belong together whatever is told meanwhile.

    Attributes:
        as_they_were: gives the rows of a page then by the moment and the page, in the order of the key.
    """

    parameters = (*List.parameters, *PARAMETERS)
    described: ClassVar = DESCRIBED
    as_they_were: Any = None

    def list(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        """A page of the rows now, or then."""
        moment = asked_moment(request)
        if moment == AsOf():
            return super().list(request, *args, **kwargs)
        pages, key = self.pagination_class(), self.get_queryset().model._meta.get_field(self.key)
        rows = pages.page(lambda part: self.as_they_were(moment, part), key, request)
        return pages.get_paginated_response(self.get_serializer(rows, many=True).data)


class PastCollection(PastList, Collection):
    """The same, and one is added by a command."""
