"""The contract of a field node, for whoever writes one: a text, and vectors to hold a node against."""

from __future__ import annotations

import hashlib
from functools import cache
from pathlib import Path
from typing import ClassVar

from django.http import Http404, HttpResponse, HttpResponseBase
from rest_framework.permissions import AllowAny
from rest_framework.request import Request

import machines.protocol
from server.api.base_views import ApiView
from server.api.conditional import answered

FOLDER = Path(machines.protocol.__file__).parent


class Published(ApiView):
    """A file that comes with the program, so that only another program has another."""

    authentication_classes = ()
    permission_classes = (AllowAny,)
    schema = None
    media_type: ClassVar[str]

    def answer(self, request: Request, file: Path) -> HttpResponseBase:
        """It; 304 where ``If-None-Match`` names the same."""
        body, tag = read(file)
        headers = {"ETag": tag, "Cache-Control": "public, no-cache"}
        return answered(request._request, tag, HttpResponse(body, content_type=self.media_type, headers=headers))


class NodeContract(Published):
    """How a node and the server speak."""

    media_type = "text/markdown; charset=utf-8"  # RFC 7763

    def get(self, request: Request) -> HttpResponseBase:
        """The text."""
        return self.answer(request, FOLDER / "NODE.md")


class NodeVectors(Published):
    """What the text says, in numbers."""

    media_type = "application/json"

    def get(self, request: Request, slug: str) -> HttpResponseBase:
        """The vectors of a name."""
        if slug not in {file.stem for file in (FOLDER / "vectors").glob("*.json")}:
            raise Http404(f"There are no vectors {slug!r}; the contract of a node names those that there are.")
        return self.answer(request, FOLDER / "vectors" / f"{slug}.json")


@cache
def read(file: Path) -> tuple[bytes, str]:
    """A file and its tag."""
    body = file.read_bytes()
    return body, f'"{hashlib.sha256(body).hexdigest()}"'
