"""The ways in: the API below ``/api/v1/``, the pages everywhere else."""

from __future__ import annotations

from django.urls import URLPattern, URLResolver, include, path

from server import health

urlpatterns: list[URLPattern | URLResolver] = [
    path("api/v1/", include("server.api.urls")),
    path("livez", health.live, name="live"),
    path("readyz", health.ready, name="ready"),
]
