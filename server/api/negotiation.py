"""Which form a body and an answer have."""

from __future__ import annotations

from typing import Any

from rest_framework.exceptions import UnsupportedMediaType
from rest_framework.negotiation import DefaultContentNegotiation
from rest_framework.request import Request


class OneRendering(DefaultContentNegotiation):
    """Every answer has one form, so `Accept` does not choose (RFC 9110 section 12.5.1 leaves that to the server)."""

    def select_renderer(self, request: Request, renderers: Any, format_suffix: str | None = None) -> Any:
        """The view's only renderer."""
        return renderers[0], renderers[0].media_type

    def select_parser(self, request: Request, parsers: Any) -> Any:
        """The view's parser for the body.

        Raises:
            UnsupportedMediaType: the body is of another type; says which would be right.
        """
        parser = super().select_parser(request, parsers)
        if parser is None:
            said, taken = request.content_type or "nothing", ", ".join(one.media_type for one in parsers)
            raise UnsupportedMediaType(said, f"Content-Type says {said}; send the body as {taken}.")
        return parser
