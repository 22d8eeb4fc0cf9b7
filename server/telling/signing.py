"""How a webhook is signed, so that whoever gets one knows that it is of this server, and of this minute.

By Standard Webhooks 1.0.0 (standardwebhooks.com, "Signature scheme", symmetric): HMAC with SHA-256 (RFC 2104, RFC 6234)
over ``id.timestamp.body``, in base64 behind ``v1,``. The secret is of 32 octets, in base64 behind ``whsec_``
(`server.accounts.message_secrets`).
"""

from __future__ import annotations

import base64
import hashlib
import hmac
from collections.abc import Mapping
from datetime import datetime

from server.accounts.message_secrets import PREFIX


def signed_headers(id: str, at: datetime, body: bytes, secret: str) -> Mapping[str, str]:
    """The headers of a webhook.

    Args:
        id: of the message, the same at every try.
        at: when it is sent, by true clocks.
        body: as it is sent.
        secret: see `server.accounts.message_secrets.hook_secret`.
    """
    seconds = str(int(at.timestamp()))
    key = base64.b64decode(secret.removeprefix(PREFIX))
    signature = hmac.new(key, b".".join((id.encode(), seconds.encode(), body)), hashlib.sha256).digest()
    return {
        "webhook-id": id,
        "webhook-timestamp": seconds,
        "webhook-signature": f"v1,{base64.b64encode(signature).decode()}",
    }
