"""An order that is given again, as its answer was lost on the way, is carried out once and answered as the first."""

from __future__ import annotations

import hashlib
from typing import Any

from machines.serialization import unstructure
from scheduling.log.beside import keep_order
from scheduling.log.codec.canonical_json import canonical
from scheduling.log.models import Event, Ordered


def was_given(stream: str, order: Any, actor: str) -> bool:
    """Whether a stream was begun by this very order, of the same person or key, and still stands in the log."""
    ordered = Ordered.objects.filter(stream=stream, actor=actor, digest=digest_of(order))
    return ordered.exists() and Event.objects.filter(stream=stream, version=1).exists()


def keep(stream: str, order: Any, actor: str) -> None:
    """Remember, within the caller's transaction, by what a stream was begun."""
    keep_order(stream, actor, digest_of(order))


def digest_of(order: Any) -> str:
    """SHA-256, in hexadecimal, of an order with every default filled in, as canonical JSON."""
    return hashlib.sha256(canonical(unstructure(order)).encode()).hexdigest()
