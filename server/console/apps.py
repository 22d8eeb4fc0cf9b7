"""Registers the app with Django."""

from __future__ import annotations

from django.apps import AppConfig


class ConsoleConfig(AppConfig):
    """The app, under the short label ``console``."""

    name = "server.console"
    label = "console"
