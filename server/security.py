"""What a browser may load and run on our pages: only what comes from this server."""

from __future__ import annotations

from collections.abc import Callable

from django.http import HttpRequest, HttpResponse

EVERYWHERE = (
    "default-src 'self'; img-src 'self' data:; object-src 'none'; base-uri 'none'; form-action 'self';"
    " frame-ancestors 'none'"
)
# What no page of ours asks of a browser, and so nothing that gets into one may.
NEEDS_NOTHING = ", ".join(
    f"{feature}=()"
    for feature in (
        "accelerometer", "camera", "display-capture", "geolocation", "gyroscope", "magnetometer", "microphone", "midi",
        "payment", "serial", "usb", "xr-spatial-tracking",
    )
)  # fmt: skip


def content_security(answer: Callable[[HttpRequest], HttpResponse]) -> Callable[[HttpRequest], HttpResponse]:
    """Middleware: the Content-Security-Policy (W3C CSP level 3) and the Permissions-Policy."""

    def answer_with_policy(request: HttpRequest) -> HttpResponse:
        response = answer(request)
        response.headers.setdefault("Content-Security-Policy", EVERYWHERE)
        response.headers.setdefault("Permissions-Policy", NEEDS_NOTHING)
        return response

    return answer_with_policy
