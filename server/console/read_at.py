"""When a page was made: each says how old it is, at its foot where it says so nowhere else."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest
from django.utils.functional import SimpleLazyObject

from server import wiring
from server.console import formatting


def read_at(request: HttpRequest) -> dict[str, Any]:
    """Context of every page: ``read_at``, the instant in words; it is said only where it is wanted."""
    now = wiring.now()
    return {"read_at": SimpleLazyObject(lambda: f"{formatting.moment(now, 'UTC')} UTC")}
