"""A statement of the head: how many events there are, and where every stream ends. Signed by the studio, it can be
held against the log, or against any copy of it, for ever: whoever changes an event later cannot make it fit again.

The signature is Ed25519 (RFC 8032) over the statement's RFC 8785 form; keys are PEM files (RFC 8410), so that the
usual tools can check it without this program.
"""

from __future__ import annotations

import base64
import os
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

from machines.errors import InputError
from machines.structure import structure, unstructure
from scheduling.log.canonical import canonical
from scheduling.log.verify import Head


class BadStatement(Exception):
    """A statement is not the studio's, or does not fit the events that it is held against."""


@dataclass(frozen=True, kw_only=True)
class Statement:
    """Where the log ended.

    Attributes:
        made_at: when that was, UTC.
        events: how many there were.
        heads: version and digest of each stream's newest event.
    """

    made_at: datetime
    events: int
    heads: Mapping[str, Head]

    def text(self) -> str:
        """What is signed."""
        return canonical(unstructure(self))


@dataclass(frozen=True, kw_only=True)
class SignedStatement:
    """A statement with its signature, base64; None where nobody signed."""

    statement: Statement
    signature: str | None

    def as_json(self) -> dict[str, Any]:
        """As JSON values."""
        return unstructure(self)

    @classmethod
    def from_json(cls, data: Any) -> SignedStatement:
        """Read it.

        Raises:
            InputError: names what is wrong with it.
        """
        return structure(data, cls)


def sign(statement: Statement, key: Ed25519PrivateKey | None) -> SignedStatement:
    """Sign a statement, or leave it unsigned where there is no key."""
    if key is None:
        return SignedStatement(statement=statement, signature=None)
    signature = base64.b64encode(key.sign(statement.text().encode())).decode()
    return SignedStatement(statement=statement, signature=signature)


def check_signature(signed: SignedStatement, key: Ed25519PublicKey) -> None:
    """Check that the holder of the key signed it.

    Raises:
        BadStatement: somebody else did, nobody did, or it was changed.
    """
    if signed.signature is None:
        raise BadStatement("nobody signed it")
    try:
        key.verify(base64.b64decode(signed.signature, validate=True), signed.statement.text().encode())
    except (InvalidSignature, ValueError) as error:
        raise BadStatement("the signature is not by this key, or what it signed was changed") from error


def check_heads(statement: Statement, events: int, heads: Mapping[str, Head]) -> None:
    """Check that events, each found good, are those that a statement was made of.

    Raises:
        BadStatement: names the first stream that ends elsewhere.
    """
    if events != statement.events:
        raise BadStatement(f"it speaks of {statement.events} events, and there are {events}")
    for stream in sorted({*statement.heads, *heads}):
        if statement.heads.get(stream) != heads.get(stream):
            raise BadStatement(f"{stream} ends otherwise than it says")


def studio_key(file: Path) -> Ed25519PrivateKey:
    """The studio's key, made with mode 0600 where it is missing."""
    if not file.exists():
        key = Ed25519PrivateKey.generate()
        pem = key.private_bytes(
            serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
        )
        file.parent.mkdir(parents=True, exist_ok=True)
        with os.fdopen(os.open(file, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as stream:
            stream.write(pem)
        return key
    loaded = serialization.load_pem_private_key(file.read_bytes(), password=None)
    if not isinstance(loaded, Ed25519PrivateKey):
        raise InputError(str(file), "not an Ed25519 key", "give the key that made the earlier statements")
    return loaded


def public_pem(key: Ed25519PrivateKey) -> str:
    """The half of the key that the studio gives away."""
    encoding, form = serialization.Encoding.PEM, serialization.PublicFormat.SubjectPublicKeyInfo
    return key.public_key().public_bytes(encoding, form).decode()


def public_key(pem: str) -> Ed25519PublicKey:
    """Read the half that was given away.

    Raises:
        InputError: it is no Ed25519 public key.
    """
    try:
        key = serialization.load_pem_public_key(pem.encode())
    except ValueError as error:
        raise InputError("key", "not a public key in PEM", "give the file that the studio gave away") from error
    if not isinstance(key, Ed25519PublicKey):
        raise InputError("key", "not an Ed25519 key", "give the file that the studio gave away")
    return key
