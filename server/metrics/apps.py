"""Registers the app with Django."""

from __future__ import annotations

from importlib import import_module

from django.apps import AppConfig


class MetricsConfig(AppConfig):
    """The app, under the short label ``metrics``."""

    name = "server.metrics"
    label = "metrics"

    def ready(self) -> None:
        """Have what is counted told to whoever counts it."""
        import_module("server.metrics.heard").listen()
