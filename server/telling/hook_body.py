"""What a webhook says: JSON with ``type``, ``timestamp`` and ``data``, as Standard Webhooks recommends."""

from __future__ import annotations

from typing import Any

from django.conf import settings

from machines.serialization import format_instant
from scheduling.log.codec.canonical_json import canonical
from scheduling.log.models import Matter, Message
from scheduling.telling.whom import OVER
from server.telling.words import Words


def hook_body(message: Message, matter: Matter | None, words: Words, acknowledge: str) -> bytes:
    """The body, the same at every try for as long as the matter is.

    Args:
        message: that is sent.
        matter: that it is of; None for a test.
        words: the same in the recipient's language.
        acknowledge: address of the page on which somebody says that they see to it.
    """
    kind = "test" if matter is None else "matter.over" if message.what == OVER else "matter.told"
    data: dict[str, Any] = {"subject": words.subject, "text": "\n\n".join(words.lines)}
    if matter is not None:
        machines = sorted({part["machine"] for part in matter.parts.values() if part.get("machine")})
        data |= {"matter": matter.id, "kind": matter.kind, "venue": matter.venue, "machines": machines}
        data |= {"began_at": format_instant(matter.began_at), "server": settings.ADDRESS}
        data |= {"over_at": None if matter.over_at is None else format_instant(matter.over_at)}
        if message.what != OVER:
            data |= {"acknowledge": acknowledge, "told_from": format_instant(matter.told_from)}
    return canonical({"type": kind, "timestamp": format_instant(message.made_at), "data": data}).encode()
