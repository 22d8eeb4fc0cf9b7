"""Registers the app with Django."""

from __future__ import annotations

from importlib import import_module

from django.apps import AppConfig


class AccountsConfig(AppConfig):
    """The app, under the short label ``accounts``."""

    name = "server.accounts"
    label = "accounts"

    def ready(self) -> None:
        """What is to be checked at each start, and what is told of Django's own superusers."""
        import_module("server.checks")
        import_module("server.accounts.superusers").tell_of_superusers()
