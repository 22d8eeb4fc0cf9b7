"""Lists in pages. A page ends with a cursor, opaque to the client, that names where the next one begins.

The cursor holds the key of the last row and not a count of rows: rows added meanwhile neither repeat nor hide one.
"""

from __future__ import annotations

import base64
import binascii
import json
from collections.abc import Callable, Sequence
from typing import Any

from django.core.exceptions import ValidationError
from django.db.models import Field, QuerySet
from rest_framework.pagination import BasePagination
from rest_framework.request import Request
from rest_framework.response import Response

from machines.errors import InputError
from scheduling.log.projecting.as_of import Page
from server.api.json_parser import check_values

USUAL_ROWS = 100
MOST_ROWS = 1000


def encode(key: str | int) -> str:
    """A cursor for the rows after a key."""
    return base64.urlsafe_b64encode(json.dumps(key).encode()).decode().rstrip("=")


def decode(cursor: str, field: Field[Any, Any]) -> Any:
    """The key in a cursor.

    Raises:
        InputError: not a cursor of ours.
    """
    try:
        key = json.loads(base64.urlsafe_b64decode(cursor + "=" * (-len(cursor) % 4)))
        check_values(key)
        if not isinstance(key, str | int) or isinstance(key, bool):
            raise ValueError
        return field.to_python(key)
    except (ValueError, ValidationError, binascii.Error, RecursionError):
        raise InputError("cursor", "not a cursor of this server", "give `next` of the page before, as it is") from None


def read_limit(text: str | None) -> int:
    """How many rows a client wants in a page.

    Raises:
        InputError: not a whole number, or out of range.
    """
    if text is None:
        return USUAL_ROWS
    if not (text.isascii() and text.isdigit() and len(text) < 10 and 1 <= int(text) <= MOST_ROWS):
        raise InputError("limit", f"{text!r} is not a number of rows", f"give 1 to {MOST_ROWS}")
    return int(text)


class Pages(BasePagination):
    """Pages of ``limit`` rows in order of the view's ``key``, a field that no two rows share."""

    def paginate_queryset(
        self, queryset: QuerySet[Any] | Sequence[Any], request: Request, view: Any = None
    ) -> list[Any]:
        """The rows of one page.

        Raises:
            TypeError: they are in memory, and not asked for by their key.
        """
        if not isinstance(queryset, QuerySet):
            raise TypeError("pages are made of what a database is asked for")
        ordered = queryset.order_by(view.key)

        def rows(part: Page) -> list[Any]:
            following = ordered if part.after is None else ordered.filter(**{f"{view.key}__gt": part.after})
            return list(following[: part.count])

        return self.page(rows, queryset.model._meta.get_field(view.key), request)

    def page(self, rows: Callable[[Page], list[Any]], key: Any, request: Request) -> list[Any]:
        """The rows of one page, of what gives them in the order of a field."""
        limit, cursor = read_limit(request.query_params.get("limit")), request.query_params.get("cursor")
        found = rows(Page(after=None if cursor is None else decode(cursor, key), count=limit + 1))
        self._next = encode(getattr(found[limit - 1], key.name)) if len(found) > limit else None
        return found[:limit]

    def get_paginated_response(self, data: Any) -> Response:
        """The page, and where the next one begins; null after the last."""
        return Response({"results": data, "next": self._next})

    def get_paginated_response_schema(self, schema: dict[str, Any]) -> dict[str, Any]:
        """The same for the API's description."""
        following = {"type": ["string", "null"], "description": "Give it as `cursor` for the next page."}
        return {
            "type": "object",
            "required": ["results", "next"],
            "properties": {"results": schema, "next": following},
            "additionalProperties": False,
        }
