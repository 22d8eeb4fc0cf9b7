"""What the API's views have in common: who may order what, which queries they know, how lists are paged."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar

from django.db import transaction
from django.urls import reverse
from rest_framework import generics
from rest_framework.permissions import SAFE_METHODS
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView

from machines.errors import InputError
from machines.serialization import structure, unstructure
from scheduling.commands.handlers import carry_out, check_command, require_new
from scheduling.log.store import Attribution
from server import wiring
from server.accounts.authentication import who_asks
from server.accounts.principals import KeyHolder
from server.accounts.roles import require_role, require_venue
from server.api.pagination import Pages
from server.api.problems import Unreadable
from server.request_id import request_id


def attribution(request: Request, venue: str | tuple[str, ...] | None = None) -> Attribution:
    """Who says it, in which request, when.

    Args:
        request: with the key or the token.
        venue: id of the one that the command is for, or of each; None where it is for no single one.

    Raises:
        Refused: the key is for other venues.
        NotAuthenticated: nobody says it who came in with a key or a token.
    """
    who = who_asks(request)
    if isinstance(who, KeyHolder):
        for one in venue if isinstance(venue, tuple) else (venue,):
            require_venue(who.standing, one)
    return Attribution(actor=who.actor, request=request_id(request._request), said_at=wiring.now())


def asked_for(request: Request, name: str) -> bool:
    """Whether a query says ``true``; not where it is not given.

    Raises:
        InputError: it says neither.
    """
    text = request.query_params.get(name, "false")
    if text not in ("true", "false"):
        raise InputError(name, f"{text!r} is neither", "give true or false")
    return text == "true"


class ApiView(APIView):
    """A view that refuses what the asker's role may not order, and a query that it does not know, or that is given
    twice, instead of passing over it.

    Attributes:
        command: what is ordered here, as `server.accounts.roles` knows it; without one only the studio may order.
        said: what the API's description says of fetching it; empty for what the class says.
        parameters: queries that a reading knows.
        ordered_with: queries and headers that an order knows, and their descriptions.
    """

    command: Any = None
    said: str = ""
    parameters: ClassVar[tuple[str, ...]] = ()
    ordered_with: ClassVar[Mapping[str, Any]] = {}

    @property
    def allowed_methods(self) -> list[str]:
        """What `Allow` says: not OPTIONS, for the API's description says more."""
        return [method for method in super().allowed_methods if method != "OPTIONS"]

    def initial(self, request: Request, *args: Any, **kwargs: Any) -> None:
        """Check who asks and what they may order, then what is asked."""
        super().initial(request, *args, **kwargs)
        orders = request.method in self.allowed_methods and request.method not in SAFE_METHODS
        if orders and isinstance(request.user, KeyHolder):
            self.require_may_order(request.user)
        if request.method not in self.allowed_methods:
            return  # which is said next, whatever is asked
        known = self.parameters if request.method in ("GET", "HEAD", "OPTIONS") else tuple(self.ordered_with)
        for name, values in request.query_params.lists():
            if name not in known:
                remedy = f"give none but: {', '.join(known)}" if known else "give none"
                raise InputError(name, "no such parameter here", remedy)
            if len(values) > 1:
                raise InputError(name, "given twice", "give it once")
        is_done = request.method in ("POST", "PUT", "PATCH") and hasattr(self, request.method.lower())
        if is_done and self._reads() and request.stream is None:
            raise Unreadable("The body is empty; give one JSON value.")

    def require_may_order(self, holder: KeyHolder) -> None:
        """See that somebody may order what is ordered here.

        Raises:
            NotOfTheirRole: they may not.
        """
        require_role(holder.standing, self.command)

    def finalize_response(self, request: Request, response: Any, *args: Any, **kwargs: Any) -> Any:
        """What a key opened stays in no cache, where the answer itself does not say otherwise."""
        answer = super().finalize_response(request, response, *args, **kwargs)
        answer.headers.setdefault("Cache-Control", "no-store")
        return answer

    def _reads(self) -> bool:
        """Whether there is something to be read: a dataclass, and not the function that carries the command out."""
        return isinstance(getattr(self, "reads", None) or self.command, type)


class List(ApiView, generics.ListAPIView[Any]):
    """A resource, in order of its ``key``."""

    parameters: ClassVar[tuple[str, ...]] = ("limit", "cursor")
    pagination_class = Pages
    key: ClassVar[str] = "id"


class Collection(List):
    """A resource to which one is added by a command.

    Attributes:
        command: the dataclass that the body is read as.
        detail: name of the address of one of them.
        preview: what adding one would do, by the command and now; None where that cannot be asked for.
    """

    detail: str = ""
    preview: Any = None

    def post(self, request: Request) -> Response:
        """Add one: read it, order it, show it as it now stands. What cannot be shown is not written either."""
        command = structure(request.data, self.command)
        by = attribution(request, getattr(command, "venues", getattr(command, "venue", None)))
        checked = check_command(command, by, wiring.uploads())
        if self.preview is not None and asked_for(request, "preview"):
            require_new(command)
            return Response(unstructure(self.preview(command, by.said_at)))
        with transaction.atomic():
            carry_out(command, checked, by)
            row = self.get_queryset().get(pk=command.id)
        address = request.build_absolute_uri(reverse(self.detail, args=[command.id]))
        return Response(self.get_serializer(row).data, status=201, headers={"Location": address})


class Item(ApiView, generics.RetrieveAPIView[Any]):
    """One of a resource."""
