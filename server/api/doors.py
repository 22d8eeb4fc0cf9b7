"""What the API's views have in common: which queries they know, how a command is carried out, how lists are paged."""

from __future__ import annotations

from typing import Any, ClassVar

from django.urls import reverse
from rest_framework import generics
from rest_framework.exceptions import NotFound
from rest_framework.pagination import CursorPagination
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView

from machines.errors import InputError
from machines.structure import structure
from scheduling.log.store import Attribution
from scheduling.studio import handle
from server import wiring
from server.request_id import request_id


def attribution(request: Request) -> Attribution:
    """Who says it, in which request, when."""
    return Attribution(
        actor=request.user.actor,  # type: ignore[union-attr]
        request=request_id(request._request),
        said_at=wiring.now(),
    )


class Door(APIView):
    """A view that refuses a query it does not know, instead of passing over a misspelt filter."""

    parameters: ClassVar[tuple[str, ...]] = ()

    def initial(self, request: Request, *args: Any, **kwargs: Any) -> None:
        """Check who asks, then what is asked."""
        super().initial(request, *args, **kwargs)
        known = self.parameters if request.method in ("GET", "HEAD", "OPTIONS") else ()
        for name in request.query_params:
            if name not in known:
                remedy = f"give none but: {', '.join(known)}" if known else "give none"
                raise InputError(name, "no such parameter here", remedy)


def whole_number(text: str, field: str, lowest: int, highest: int) -> int:
    """A whole number from a query.

    Raises:
        InputError: not one, or out of range.
    """
    if not (text.isascii() and text.isdigit() and len(text) < 20 and lowest <= int(text) <= highest):
        raise InputError(field, f"{text!r} is not a whole number in range", f"give {lowest} to {highest}")
    return int(text)


class Pages(CursorPagination):
    """Lists in pages of ``limit``; ``next`` and ``previous`` are addresses with an opaque cursor."""

    page_size = 100
    max_page_size = 1000
    page_size_query_param = "limit"

    def get_page_size(self, request: Request) -> int:
        """How many rows the client wants.

        Raises:
            InputError: not 1 to the most that we give.
        """
        text = request.query_params.get("limit")
        return self.page_size if text is None else whole_number(text, "limit", 1, self.max_page_size)

    def paginate_queryset(self, queryset: Any, request: Request, view: Any = None) -> Any:
        """One page.

        Raises:
            InputError: the cursor is not one of ours.
        """
        try:
            return super().paginate_queryset(queryset, request, view)
        except (NotFound, ValueError) as error:
            if isinstance(error, InputError):
                raise
            remedy = "follow the address in next or previous as it stands"
            raise InputError("cursor", "not a cursor of this server", remedy) from error


class List(Door, generics.ListAPIView[Any]):
    """A resource, in order of id."""

    parameters = ("limit", "cursor")
    pagination_class = Pages
    ordering: ClassVar[tuple[str, ...]] = ("id",)


class Collection(List):
    """A resource to which the studio adds by a command.

    Attributes:
        command: the dataclass that the body is read as.
        detail: name of the address of one of them.
    """

    command: ClassVar[type[Any]]
    detail: ClassVar[str]

    def post(self, request: Request) -> Response:
        """Add one: read it, order it, show it as it now stands."""
        command = structure(request.data, self.command)
        handle(command, attribution(request))
        row = self.get_queryset().get(pk=command.id)
        address = request.build_absolute_uri(reverse(self.detail, args=[command.id]))
        return Response(self.get_serializer(row).data, status=201, headers={"Location": address})


class Item(Door, generics.RetrieveAPIView[Any]):
    """One of a resource."""
