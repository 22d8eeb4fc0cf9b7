"""The running digest of a stream: each event's digest covers everything about it and its predecessor's digest.

So whoever holds the newest digest of a stream holds all of it: a change anywhere in the past shows.
"""

from __future__ import annotations

import hashlib
import json
from datetime import datetime
from functools import lru_cache

import msgspec

from machines.serialization import format_instant

# Stands for the predecessor of a stream's first event.
NONE_BEFORE = ""


def digest(
    *,
    stream: str,
    version: int,
    kind: str,
    schema: int,
    data: str,
    said_at: datetime,
    happened_at: datetime,
    actor: str,
    request: str | None,
    previous_digest: str,
) -> str:
    """SHA-256, in hexadecimal, of an object with these members as JSON without spaces, their names in order.

    ``data`` goes in as the text that is stored, whatever its form. The event's place in the global order is left out: a
    stream keeps its digests when it moves to another database.
    """
    text = (
        f'{{"actor":{_text(actor)},"data":{data},"happened_at":"{instant_text(happened_at)}","kind":"{kind}",'
        f'"previous_digest":"{previous_digest}","request":{"null" if request is None else _text(request)},'
        f'"said_at":"{_said_text(said_at)}","schema":{schema},"stream":"{stream}","version":{version}}}'
    )
    return hashlib.sha256(text.encode()).hexdigest()


@lru_cache(maxsize=256)  # the same few actors and requests over and over
def _text(value: str) -> str:
    return json.dumps(value, ensure_ascii=False)


@lru_cache(maxsize=64)  # all events of an append are said at one instant
def _said_text(instant: datetime) -> str:
    return instant_text(instant)


def instant_text(instant: datetime) -> str:
    """An instant as `format_instant` writes it, in a tenth of the time.

    Raises:
        ValueError: the datetime is naive.
    """
    text: str = msgspec.to_builtins(instant)
    if len(text) == 20:  # 2026-10-24T12:00:00Z
        return text[:-1] + ".000000Z"
    return text if len(text) == 27 else format_instant(instant)  # in another zone, or in none
