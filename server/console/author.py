"""Who says something on a page."""

from __future__ import annotations

from django.http import HttpRequest

from scheduling.log.store import Attribution
from server import wiring
from server.request_id import request_id


def author(request: HttpRequest) -> Attribution:
    """The person who is signed in, now."""
    return Attribution(actor=f"user:{request.user.pk}", request=request_id(request), said_at=wiring.now())
