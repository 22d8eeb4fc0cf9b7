"""Plates: one turn of dots each, named by what they hold, so never changed."""

from __future__ import annotations

from typing import Any, ClassVar

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
            png: Any = wiring.plates().png(digest)
        except PlateGone:
            if Segment.objects.filter(plate=digest).exists():
                raise
            raise Http404(f"There is no plate {digest}.") from None
        headers = {"ETag": f'"{digest}"', "Cache-Control": FOR_EVER}
        response = HttpResponse(png, content_type="image/png", headers=headers)
        return answered(request._request, headers["ETag"], response)


def _names(machine: str, digest: str) -> bool:
    """Whether a planned segment of one of a machine's runs has a plate."""
    runs = Run.objects.filter(machine_id=machine).values("id")
    return Segment.objects.filter(run_id__in=runs, plate=digest).exists()
