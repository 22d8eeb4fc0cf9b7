"""Signatures: verified by the library of the scheme's authors, and by its published example."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import get_args

import pytest
from standardwebhooks.webhooks import Webhook, WebhookVerificationError

from scheduling.telling.amiss import AmissKind
from server.accounts.message_secrets import hook_secret, is_message_secret, message_secret
from server.telling.signing import signed_headers
from server.telling.words import TITLES, TO_DO


def test_the_published_example() -> None:
    """Standard Webhooks 1.0.0, reference implementations' own test vector."""
    at = datetime.fromtimestamp(1614265330, UTC)
    headers = signed_headers(
        "msg_p5jXN8AQM9LWM0D4loKWxJek", at, b'{"test": 2432232314}', "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"
    )
    assert headers["webhook-signature"] == "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE="


def test_the_authors_library_takes_ours_and_nothing_else() -> None:
    secret, now, body = hook_secret("pager", 1), datetime.now(UTC), b'{"type":"test"}'
    headers = dict(signed_headers("a", now, body, secret))
    assert Webhook(secret).verify(body, headers) == {"type": "test"}
    for wrong in (hook_secret("pager", 2), hook_secret("page", 1)):
        with pytest.raises(WebhookVerificationError):
            Webhook(wrong).verify(body, headers)
    for change in ({"webhook-id": "b"}, {"webhook-timestamp": str(int(now.timestamp()) - 1)}):
        with pytest.raises(WebhookVerificationError):
            Webhook(secret).verify(body, headers | change)
    with pytest.raises(WebhookVerificationError):
        Webhook(secret).verify(b'{"type":"tests"}', headers)


def test_a_messages_secret_opens_no_other() -> None:
    assert is_message_secret("a", message_secret("a"))
    assert not is_message_secret("b", message_secret("a"))
    assert len(message_secret("a")) == 64


def test_every_kind_of_what_is_amiss_has_words() -> None:
    assert set(TITLES) == set(TO_DO) == set(get_args(AmissKind))
