"""The running digest of a stream: each event's digest covers everything about it and its predecessor's digest.

So whoever holds the newest digest of a stream holds all of it: a change anywhere in the past shows.
"""

from __future__ import annotations

import hashlib
import json
from datetime import datetime
from functools import lru_cache

from machines.serialization import format_instant

# An instant is written into the event, into the digest and, on SQLite, into the table: once each for a node's batch.
instant_text = lru_cache(maxsize=4096)(format_instant)
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
    """SHA-256, in hexadecimal, of the RFC 8785 form of an object with these members.

    The object is put together from its parts in the order that RFC 8785 wants, because ``data`` is canonical text
    already. Its place in the global order is left out: a stream keeps its digests when it moves to another database.
    """
    text = (
        f'{{"actor":{_text(actor)},"data":{data},"happened_at":"{instant_text(happened_at)}","kind":"{kind}",'
        f'"previous_digest":"{previous_digest}","request":{"null" if request is None else _text(request)},'
        f'"said_at":"{instant_text(said_at)}","schema":{schema},"stream":"{stream}","version":{version}}}'
    )
    return hashlib.sha256(text.encode()).hexdigest()


@lru_cache(maxsize=256)  # the same few actors and requests over and over
def _text(value: str) -> str:
    return json.dumps(value, ensure_ascii=False)
