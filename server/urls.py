"""The ways in: the API below ``/api/v1/``, the pages everywhere else."""

from __future__ import annotations

from django.urls import URLPattern, URLResolver

urlpatterns: list[URLPattern | URLResolver] = []
