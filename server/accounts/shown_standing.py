"""What whoever looks at a page may do, for what the page offers them; it is asked for only where it is wanted."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest
from django.utils.functional import SimpleLazyObject

from server.accounts.people import standing_of


def standing(request: HttpRequest) -> dict[str, Any]:
    """Context of every page: ``standing``, theirs."""
    return {"standing": SimpleLazyObject(lambda: standing_of(request.user))}
