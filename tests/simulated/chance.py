"""One source of chance for all that a process draws: tokens, codes, numbers of requests, jitter."""

from __future__ import annotations

import base64
import random
import secrets
import uuid
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import TypeVar
from unittest.mock import patch

T = TypeVar("T")


@contextmanager
def seeded(seed: object) -> Iterator[None]:
    """Whatever is drawn within follows from the seed."""
    dice = random.Random(f"all that is drawn in {seed}")
    before = random.getstate()
    random.seed(f"jitter in {seed}")

    def token_bytes(count: int = 32) -> bytes:
        return dice.randbytes(count)

    def token_urlsafe(count: int = 32) -> str:
        return base64.urlsafe_b64encode(dice.randbytes(count)).rstrip(b"=").decode()

    def choice(choices: Sequence[T]) -> T:
        return dice.choice(choices)

    replaced = {
        "token_bytes": token_bytes,
        "token_hex": lambda count=32: dice.randbytes(count).hex(),
        "token_urlsafe": token_urlsafe,
        "choice": choice,
        "randbelow": dice.randrange,
    }
    with (
        patch.multiple(secrets, **replaced),
        patch.object(uuid, "uuid4", lambda: uuid.UUID(int=dice.getrandbits(128), version=4)),
    ):
        try:
            yield
        finally:
            random.setstate(before)
