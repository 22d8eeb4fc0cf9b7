"""Registers the app with Django."""

from __future__ import annotations

from django.apps import AppConfig


class AccountsConfig(AppConfig):
    """The app, under the short label ``accounts``."""

    name = "server.accounts"
    label = "accounts"
