"""The ways in: the API below ``/api/v1/``, the pages everywhere else."""

from __future__ import annotations

from django.urls import URLPattern, URLResolver, include, path, register_converter

from server import health
from server.converters import Digest, Id, Prefix
from server.metrics.endpoint import Metrics

register_converter(Id, "id")
register_converter(Digest, "digest")
register_converter(Prefix, "prefix")

handler400 = "server.errors.bad_request"
handler403 = "server.errors.permission_denied"
handler404 = "server.errors.not_found"
handler500 = "server.errors.server_error"

urlpatterns: list[URLPattern | URLResolver] = [
    path("api/v1/", include("server.api.urls")),
    path("", include("server.console.urls")),
    path("", include("server.desk.urls")),
    path("livez", health.live, name="live"),
    path("readyz", health.ready, name="ready"),
    path("metrics", Metrics.as_view(), name="metrics"),
]
