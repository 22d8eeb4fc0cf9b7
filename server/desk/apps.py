"""The studio's pages as an application of Django: its templates and its style."""

from __future__ import annotations

from django.apps import AppConfig


class DeskConfig(AppConfig):
    """Found by its name."""

    name = "server.desk"
    label = "desk"
