"""Registers the app with Django, which finds the commands by it."""

from __future__ import annotations

from django.apps import AppConfig


class TerminalConfig(AppConfig):
    """The app, under the short label ``terminal``."""

    name = "server.terminal"
    label = "terminal"
