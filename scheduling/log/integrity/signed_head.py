"""A statement of the head: how many events there are, in which order, and where every stream ends. Signed by the
studio, it can be held against the log, or against any copy of it, for ever (`scheduling.log.integrity.held_against`):
whoever changes, moves or takes away an event later cannot make it fit again.

The signature is Ed25519 (RFC 8032) over the statement's RFC 8785 form; keys are PEM files (RFC 8410), so that the
usual tools can check it without this program.
"""

from __future__ import annotations

import base64
import hashlib
import os
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

from cryptography.exceptions import InvalidSignature, UnsupportedAlgorithm
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

from machines.errors import DayrollError, InputError
from machines.serialization import structure, unstructure
from scheduling.log.codec.canonical_json import canonical
from scheduling.log.event_records import EventRecord
from scheduling.log.integrity.verify import Head


class BadStatement(DayrollError):
    """A statement is not the studio's, or does not fit the events that it is held against."""


@dataclass(frozen=True, kw_only=True)
class Statement:
    """Where the log ended.

    Attributes:
        made_at: when that was, UTC.
        events: how many there were.
        heads: version and digest of each stream's newest event; empty where the order alone is stated, which covers
            them.
        through: position of the newest event; None in a statement of before positions were covered.
        order: running digest of positions and events in the global order, see `Tally`; None as for ``through``.
    """

    made_at: datetime
    events: int
    heads: Mapping[str, Head]
    through: int | None = None
    order: str | None = None

    def text(self) -> str:
        """What is signed. What is not stated is left out: so signatures hold of before there was such a thing."""
        return canonical({name: value for name, value in unstructure(self).items() if value is not None})


@dataclass
class Tally:
    """What a statement says, kept up while events are walked in the global order.

    Attributes:
        heads: the end of each stream so far; `scheduling.log.integrity.verify.walk` keeps them up.
        order: SHA-256, in hexadecimal, of the one before, the position and the event's digest, with a colon in between.
            An event's own digest leaves its position out; here it counts.
    """

    heads: dict[str, Head] = field(default_factory=dict)
    events: int = 0
    through: int = 0
    order: str = ""

    def add(self, line: EventRecord) -> None:
        """The next event."""
        self.events += 1
        self.through = line.position
        self.order = hashlib.sha256(f"{self.order}:{line.position}:{line.digest}".encode()).hexdigest()

    def statement(self, made_at: datetime) -> Statement:
        """Of all that was walked."""
        return Statement(made_at=made_at, events=self.events, heads=self.heads, through=self.through, order=self.order)


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


def check_end(statement: Statement, tally: Tally) -> None:
    """Check that events, each found good, are those that a statement was made of, and in that order.

    Raises:
        BadStatement: names the first stream that ends elsewhere, or says that the order is another.
    """
    if tally.events != statement.events:
        raise BadStatement(f"it speaks of {statement.events} events, and there are {tally.events}")
    if statement.heads or statement.order is None:
        for stream in sorted({*statement.heads, *tally.heads}):
            if statement.heads.get(stream) != tally.heads.get(stream):
                raise BadStatement(f"{stream} ends otherwise than it says")
    check_order(statement, tally)


def check_order(statement: Statement, tally: Tally) -> None:
    """Check that as many events stand in the order that a statement was made of, where it says so.

    Raises:
        BadStatement: they do not.
    """
    if statement.order is not None and (statement.through, statement.order) != (tally.through, tally.order):
        raise BadStatement("the events stand in another order, or at other positions, than it says")


def studio_key(file: Path) -> Ed25519PrivateKey:
    """The studio's key. It is made by `make_key` alone: one that were made wherever it is missing would sign in the
    place of another that lies elsewhere.

    Raises:
        InputError: it is not there, or is no such key.
    """
    if not file.exists():
        raise InputError(str(file), "there is no key there", "put it there, or have `dayroll log key` make the first")
    try:
        loaded = serialization.load_pem_private_key(file.read_bytes(), password=None)
    except (ValueError, TypeError, UnsupportedAlgorithm):  # no PEM, a password is wanted, or of a kind unknown here
        loaded = None
    if not isinstance(loaded, Ed25519PrivateKey):
        raise InputError(str(file), "not an Ed25519 key", "give the key that made the earlier statements")
    return loaded


def make_key(file: Path) -> Ed25519PrivateKey:
    """A new key of the studio's, in a new file of mode 0600.

    Raises:
        FileExistsError: there is one.
    """
    key = Ed25519PrivateKey.generate()
    pem = key.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption())
    file.parent.mkdir(parents=True, exist_ok=True)
    with os.fdopen(os.open(file, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as stream:
        stream.write(pem)
    return key


def public_pem(key: Ed25519PrivateKey) -> str:
    """The half of the key that the studio gives away."""
    encoding, form = serialization.Encoding.PEM, serialization.PublicFormat.SubjectPublicKeyInfo
    return key.public_key().public_bytes(encoding, form).decode()


def public_key(pem: bytes) -> Ed25519PublicKey:
    """Read the half that was given away.

    Raises:
        InputError: it is no Ed25519 public key.
    """
    try:
        key = serialization.load_pem_public_key(pem)
    except (ValueError, UnsupportedAlgorithm) as error:
        raise InputError("key", "not a public key in PEM", "give the file that the studio gave away") from error
    if not isinstance(key, Ed25519PublicKey):
        raise InputError("key", "not an Ed25519 key", "give the file that the studio gave away")
    return key
