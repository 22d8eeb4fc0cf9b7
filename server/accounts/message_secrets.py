"""Secrets of what people are told: by which a webhook is signed, and by which somebody says that they see to a matter,
without signing in. Like a calendar's they are made of the server's own secret key, so that none is kept."""

from __future__ import annotations

import base64
import hashlib
import hmac

from django.conf import settings

PREFIX = "whsec_"


def hook_secret(recipient: str, number: int) -> str:
    """By which what is sent to a recipient is signed, in the form of Standard Webhooks: 32 octets in base64. Another
    number is another secret."""
    return PREFIX + base64.b64encode(_made(f"webhook {number} of {recipient}").digest()).decode()


def message_secret(id: str) -> str:
    """What the address in a message holds, in hexadecimal."""
    return _made(f"acknowledging {id}").hexdigest()


def is_message_secret(id: str, secret: str) -> bool:
    """Whether somebody who says this secret was sent the message."""
    return hmac.compare_digest(secret.encode(), message_secret(id).encode())


def _made(said: str) -> hmac.HMAC:
    return hmac.new(settings.SECRET_KEY.encode(), said.encode(), hashlib.sha256)
