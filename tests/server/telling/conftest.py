"""Servers that are told, and a clock that a verifying library believes."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest

from tests.server.studio import Caller
from tests.server.telling.receivers import HookReceiver, MailServer, hook_receiver, mail_server


@pytest.fixture
def mail(settings: Any) -> Iterator[MailServer]:
    """A mail server, and the settings that lead to it."""
    with mail_server() as server:
        settings.EMAIL_BACKEND = "django.core.mail.backends.smtp.EmailBackend"
        settings.EMAIL_HOST, settings.EMAIL_PORT, settings.SENDS_MAIL = "127.0.0.1", server.port, True
        settings.DEFAULT_FROM_EMAIL = "Dayroll <dayroll@studio.example>"
        settings.ADDRESS = "https://dayroll.example"
        yield server


@pytest.fixture
def hook(settings: Any) -> Iterator[HookReceiver]:
    """A receiver of webhooks, which private networks are allowed for."""
    with hook_receiver() as receiver:
        settings.PRIVATE_HOOKS = True
        yield receiver


def told(studio: Caller, *recipients: dict[str, Any]) -> Any:
    """Say who is told; it must succeed."""
    answer = studio.put("recipients?accept=true", {"recipients": list(recipients)})
    assert answer.status_code == 200, answer.content
    return answer.json()
