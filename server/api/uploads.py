"""Files that sources are drawn from: images and GeoJSON, sent as they are and named by what they hold."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, ClassVar

from drf_spectacular.types import OpenApiTypes
from rest_framework.exceptions import UnsupportedMediaType
from rest_framework.parsers import BaseParser
from rest_framework.request import Request
from rest_framework.response import Response

from machines.errors import InputError
from machines.serialization import unstructure
from scheduling.rendering.upload_store import Uploaded, UploadStore
from server import wiring
from server.api.base_views import ApiView

# GeoJSON's own type is RFC 7946 section 12.
MEDIA_TYPES = ("image/png", "image/jpeg", "image/tiff", "application/geo+json")
PIECE_BYTES = 1 << 20


class FileParser(BaseParser):
    """Leaves a body of one of the known types to be read piece by piece."""

    media_type = "*/*"

    def parse(  # type: ignore[override]  # what a parser gives is handed on, whatever it is
        self, stream: Any, media_type: str | None = None, parser_context: Any = None
    ) -> Iterator[bytes]:
        """The pieces of the body, read when they are asked for."""
        if (media_type or "").partition(";")[0].strip().lower() not in MEDIA_TYPES:
            raise UnsupportedMediaType(media_type or "", f"Send a file as one of {', '.join(MEDIA_TYPES)}.")
        return iter(lambda: stream.read(PIECE_BYTES), b"")


class Uploads(ApiView):
    """Keeping a file, so that a source can name it."""

    command = staticmethod(UploadStore.put)
    parser_classes = (FileParser,)
    reads: ClassVar = dict.fromkeys(MEDIA_TYPES, OpenApiTypes.BINARY)
    shows, answers = Uploaded, 201

    def post(self, request: Request) -> Response:
        """Keep the body as it is, and name it by its SHA-256. What it holds is looked at when a source is added."""
        pieces: object = request.data
        if not isinstance(pieces, Iterator):  # nothing was sent, so nothing was parsed
            raise InputError("", "empty", "send the file as the body")
        return Response(unstructure(wiring.uploads().put(pieces)), status=201)
