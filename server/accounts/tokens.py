"""Secrets of 256 random bits, of which we keep only a fast hash: nothing to guess, nothing to steal.

A token reads ``<kind>_<name>_<secret>``. Kind and name are its visible prefix: they find its row and may stand in a
list or a log; the secret never does.
"""

from __future__ import annotations

import hashlib
import hmac
from dataclasses import dataclass

from server import wiring

SECRET_BYTES = 32
NAME_BYTES = 5


@dataclass(frozen=True)
class Minted:
    """A new token, to be shown once, and the two parts of it that are kept."""

    token: str
    prefix: str
    digest: str


def digest(token: str) -> str:
    """SHA-256 of a whole token, in hexadecimal."""
    return hashlib.sha256(token.encode()).hexdigest()


def mint(kind: str) -> Minted:
    """A new token of a kind such as ``studio``."""
    chance = wiring.chance()
    prefix = f"{kind}_{chance.in_hex(NAME_BYTES)}"
    token = f"{prefix}_{chance.in_text(SECRET_BYTES)}"
    return Minted(token, prefix, digest(token))


def prefix_of(token: str) -> str:
    """The visible prefix of what may be a token."""
    return "_".join(token.split("_", 2)[:2])


def matches(token: str, kept: str) -> bool:
    """Whether a token has the kept digest, in the same time whether it has or not."""
    return hmac.compare_digest(digest(token), kept)
