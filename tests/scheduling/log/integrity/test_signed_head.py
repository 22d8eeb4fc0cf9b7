"""The signed statement of the head: what it takes to forge it."""

from __future__ import annotations

import base64
import dataclasses
import stat
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from cryptography.hazmat.primitives.asymmetric.x25519 import X25519PrivateKey
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat, PublicFormat

from machines.errors import InputError
from scheduling.log.integrity.signed_head import (
    BadStatement,
    SignedStatement,
    Statement,
    Tally,
    check_end,
    check_signature,
    make_key,
    public_key,
    public_pem,
    sign,
    studio_key,
)
from scheduling.log.integrity.verify import Head
from tests.scheduling.log.facts import NOW

KEY = Ed25519PrivateKey.from_private_bytes(bytes(range(32)))
HEADS = {"run/spring": Head(2, "a" * 64), "venue/a": Head(1, "b" * 64)}
STATEMENT = Statement(made_at=NOW, events=3, heads=HEADS)


def test_the_signature_is_that_of_rfc_8032() -> None:
    # RFC 8032 section 7.1, TEST 1 (an empty message), from memory: the kind of key is the one that we say it is.
    secret = bytes.fromhex("9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60")
    key = Ed25519PrivateKey.from_private_bytes(secret)
    raw = key.public_key().public_bytes(Encoding.Raw, PublicFormat.Raw)
    assert raw.hex() == "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a"
    assert key.sign(b"").hex() == (
        "e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e065224901555fb8821590a33bacc61e39701cf9b46bd25bf5f0595bbe24655141438e7a100b"
    )


def test_what_is_signed_is_canonical_text() -> None:
    signed = sign(STATEMENT, KEY)
    assert signed.signature is not None
    assert STATEMENT.text() == (
        '{"events":3,"heads":{"run/spring":{"digest":"' + "a" * 64 + '","version":2},'
        '"venue/a":{"digest":"' + "b" * 64 + '","version":1}},"made_at":"2026-03-28T23:30:00.000000Z"}'
    )
    KEY.public_key().verify(base64.b64decode(signed.signature), STATEMENT.text().encode())


def test_a_statement_survives_json_and_is_the_studios() -> None:
    signed = SignedStatement.from_json(sign(STATEMENT, KEY).as_json())
    check_signature(signed, public_key(public_pem(KEY).encode()))
    assert signed.statement == STATEMENT


@pytest.mark.parametrize(
    "change",
    [
        {"events": 4},
        {"made_at": NOW.replace(year=2020)},
        {"heads": HEADS | {"venue/a": Head(1, "c" * 64)}},
        {"heads": {"venue/a": HEADS["venue/a"]}},
    ],
)
def test_a_changed_statement_is_not_signed(change: dict[str, object]) -> None:
    signed = sign(STATEMENT, KEY)
    forged = dataclasses.replace(signed, statement=dataclasses.replace(STATEMENT, **change))  # type: ignore[arg-type]
    with pytest.raises(BadStatement, match="not by this key, or what it signed was changed"):
        check_signature(forged, KEY.public_key())


def test_another_key_no_signature_and_no_base64() -> None:
    other = Ed25519PrivateKey.generate().public_key()
    with pytest.raises(BadStatement):
        check_signature(sign(STATEMENT, KEY), other)
    with pytest.raises(BadStatement, match="nobody"):
        check_signature(sign(STATEMENT, None), KEY.public_key())
    with pytest.raises(BadStatement):
        check_signature(SignedStatement(statement=STATEMENT, signature="%"), KEY.public_key())


def test_heads_must_be_those_of_the_statement() -> None:
    check_end(STATEMENT, Tally(heads=HEADS, events=3))
    with pytest.raises(BadStatement, match="speaks of 3 events, and there are 2"):
        check_end(STATEMENT, Tally(heads=HEADS, events=2))
    with pytest.raises(BadStatement, match="venue/a ends otherwise"):
        check_end(STATEMENT, Tally(heads=HEADS | {"venue/a": Head(1, "c" * 64)}, events=3))
    with pytest.raises(BadStatement, match="venue/b ends otherwise"):
        check_end(STATEMENT, Tally(heads=HEADS | {"venue/b": Head(1, "c" * 64)}, events=3))


def test_the_order_must_be_that_of_the_statement() -> None:
    stated = dataclasses.replace(STATEMENT, through=3, order="d" * 64)
    there = Tally(heads=HEADS, events=3, through=3, order="d" * 64)
    check_end(stated, there)
    for other in (dataclasses.replace(there, order="e" * 64), dataclasses.replace(there, through=4)):
        with pytest.raises(BadStatement, match="in another order"):
            check_end(stated, other)
    with pytest.raises(BadStatement, match="in another order"):
        check_end(dataclasses.replace(stated, heads={}), dataclasses.replace(there, order="e" * 64))


def test_the_order_is_stated_and_signed() -> None:
    stated = dataclasses.replace(STATEMENT, heads={}, through=3, order="d" * 64)
    assert stated.text() == (
        '{"events":3,"heads":{},"made_at":"2026-03-28T23:30:00.000000Z","order":"' + "d" * 64 + '","through":3}'
    )
    signed = SignedStatement.from_json(sign(stated, KEY).as_json())
    check_signature(signed, KEY.public_key())
    forged = dataclasses.replace(signed, statement=dataclasses.replace(stated, order="e" * 64))
    with pytest.raises(BadStatement, match="what it signed was changed"):
        check_signature(forged, KEY.public_key())


def test_the_studios_key_is_made_once_and_kept_from_others(tmp_path: Path) -> None:
    file = tmp_path / "home" / "log-key.pem"
    with pytest.raises(InputError, match="there is no key there"):
        studio_key(file)
    assert not file.exists()
    made = make_key(file)
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    assert public_pem(studio_key(file)) == public_pem(made)
    assert public_pem(made).startswith("-----BEGIN PUBLIC KEY-----")
    with pytest.raises(FileExistsError):
        make_key(file)


def test_keys_of_another_kind_are_refused(tmp_path: Path) -> None:
    other = X25519PrivateKey.generate()
    file = tmp_path / "key.pem"
    file.write_bytes(other.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption()))
    with pytest.raises(InputError, match="not an Ed25519 key"):
        studio_key(file)
    file.write_text("ssh-ed25519 AAAA")
    with pytest.raises(InputError, match="not an Ed25519 key"):
        studio_key(file)
    pem = other.public_key().public_bytes(Encoding.PEM, PublicFormat.SubjectPublicKeyInfo)
    with pytest.raises(InputError, match="not an Ed25519 key"):
        public_key(pem)
    with pytest.raises(InputError, match="not a public key in PEM"):
        public_key(b"ssh-ed25519 AAAA")


def of_another_algorithm(der: bytes, name: str) -> bytes:
    """A key in PEM, whose algorithm nobody knows."""
    changed = der.replace(bytes([0x2B, 0x65, 0x70]), bytes([0x2B, 0x65, 0x7F]))
    return f"-----BEGIN {name} KEY-----\n{base64.b64encode(changed).decode()}\n-----END {name} KEY-----\n".encode()


def test_keys_of_a_kind_that_is_unknown_here_are_refused(tmp_path: Path) -> None:
    file = tmp_path / "key.pem"
    private = KEY.private_bytes(Encoding.DER, PrivateFormat.PKCS8, NoEncryption())
    file.write_bytes(of_another_algorithm(private, "PRIVATE"))
    with pytest.raises(InputError, match="not an Ed25519 key"):
        studio_key(file)
    public = KEY.public_key().public_bytes(Encoding.DER, PublicFormat.SubjectPublicKeyInfo)
    with pytest.raises(InputError, match="not a public key in PEM"):
        public_key(of_another_algorithm(public, "PUBLIC"))
