"""Registers the app with Django."""

from __future__ import annotations

from django.apps import AppConfig


class LogConfig(AppConfig):
    """The app, under the short label ``log``."""

    name = "scheduling.log"
    label = "log"
