"""Which form an answer has."""

from __future__ import annotations

from typing import Any

from rest_framework.negotiation import DefaultContentNegotiation
from rest_framework.request import Request


class OneRendering(DefaultContentNegotiation):
    """Every answer has one form, so `Accept` does not choose (RFC 9110 section 12.5.1 leaves that to the server)."""

    def select_renderer(self, request: Request, renderers: Any, format_suffix: str | None = None) -> Any:
        """The view's only renderer."""
        return renderers[0], renderers[0].media_type
