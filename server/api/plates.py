"""Plates: one turn of dots each, named by what they hold, so never changed."""

from __future__ import annotations

import base64
import hashlib
from typing import ClassVar

from django.http import Http404, HttpResponse, HttpResponseBase
from drf_spectacular.types import OpenApiTypes
from rest_framework.permissions import IsAuthenticated
from rest_framework.request import Request

from scheduling.log.models import Run, Segment
from scheduling.rendering.plate_store import PlateGone
from server import wiring
from server.accounts.principals import Node
from server.api.base_views import ApiView
from server.api.conditional import answered

FOR_EVER = "private, max-age=31536000, immutable"


class OnePlate(ApiView):
    """A plate, for the studio, and for the node of a machine that prints it."""

    permission_classes = (IsAuthenticated,)
    shows: ClassVar = {(200, "image/png"): OpenApiTypes.BINARY}

    def get(self, request: Request, digest: str) -> HttpResponseBase:
        """The dots as PNG, one bit a dot. A node gets those that its own machine's runs name, and no others."""
        if isinstance(request.user, Node) and not _names(request.user.machine, digest):
            raise Http404(f"There is no plate {digest}.")
        try:
            png = wiring.plates().png(digest)
        except PlateGone:
            if Segment.objects.filter(plate=digest).exists():
                raise
            raise Http404(f"There is no plate {digest}.") from None
        headers = {"ETag": f'"{digest}"', "Cache-Control": FOR_EVER, "Repr-Digest": repr_digest(png)}
        response = HttpResponse(png, content_type="image/png", headers=headers)
        return answered(request._request, headers["ETag"], response)


def repr_digest(representation: bytes) -> str:
    """What says whether it came whole, by a digest that programs know (RFC 9530); its name is that of its dots."""
    return f"sha-256=:{base64.b64encode(hashlib.sha256(representation).digest()).decode()}:"


def _names(machine: str, digest: str) -> bool:
    """Whether a planned segment of one of a machine's runs has a plate."""
    runs = Run.objects.filter(machine_id=machine).values("id")
    return Segment.objects.filter(run_id__in=runs, plate=digest).exists()
