"""Where this server asks by itself: nowhere within a network of its own, by whatever address that is named."""

from __future__ import annotations

import ipaddress
import socket
import ssl
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from threading import Thread
from typing import Any

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

from server.telling import destinations, hooks
from server.telling.destinations import Destination, destination, is_public
from server.telling.failures import NotSent
from server.telling.hooks import send_hook
from tests.server.telling.receivers import HookReceiver, hook_receiver


@pytest.mark.parametrize(
    ("address", "public"),
    [
        ("93.184.215.14", True),
        ("2606:2800:21f:cb07:6820:80da:af6b:8b2c", True),
        ("::ffff:93.184.215.14", True),
        ("64:ff9b::5db8:d70e", True),
        # IANA's registries of special-purpose addresses (RFC 6890), IPv4 and IPv6.
        ("0.0.0.0", False),
        ("10.1.2.3", False),
        ("100.64.0.1", False),
        ("127.0.0.1", False),
        ("169.254.169.254", False),
        ("172.16.0.1", False),
        ("192.168.1.1", False),
        ("192.0.2.1", False),
        ("198.18.0.1", False),
        ("224.0.0.1", False),
        ("240.0.0.1", False),
        ("255.255.255.255", False),
        ("::", False),
        ("::1", False),
        ("fc00::1", False),
        ("fe80::1", False),
        ("ff02::1", False),
        ("2001:db8::1", False),
        # Within another.
        ("::ffff:127.0.0.1", False),
        ("::ffff:10.0.0.1", False),
        ("64:ff9b::7f00:1", False),
        ("64:ff9b::a9fe:a9fe", False),
        ("2002:7f00:1::", False),
        ("2002:a00:1::1", False),
    ],
)
def test_which_addresses_everybody_may_reach(address: str, public: bool) -> None:
    assert is_public(ipaddress.ip_address(address)) is public


@pytest.mark.parametrize(
    "address",
    [
        "https://127.0.0.1/hook",
        "https://localhost/hook",
        "https://[::1]/hook",
        "https://[::ffff:127.0.0.1]/hook",
        "https://2130706433/hook",  # the same, as one number
        "https://0177.0.0.1/hook",  # and in octal
        "https://127.1/hook",
        "https://169.254.169.254/latest/meta-data",
    ],
)
def test_nothing_of_a_private_network_is_asked_however_it_is_written(address: str) -> None:
    with pytest.raises(NotSent, match="is in a private network") as refused:
        destination(address, private=False)
    assert refused.value.for_good
    assert ipaddress.ip_address(destination(address, private=True).connects_to)


def resolving(monkeypatch: pytest.MonkeyPatch, *addresses: str) -> list[str]:
    """Have every name mean some addresses; which names were looked up."""
    asked: list[str] = []

    def looked_up(host: str, port: int) -> list[destinations.Address]:
        asked.append(host)
        return [ipaddress.ip_address(address) for address in addresses]

    monkeypatch.setattr(destinations, "looked_up", looked_up)
    return asked


def test_a_name_is_looked_up_once_and_connected_to_where_it_led(monkeypatch: pytest.MonkeyPatch) -> None:
    asked = resolving(monkeypatch, "93.184.215.14")
    where = destination("https://hooks.example:8443/a?b=c", private=False)
    assert asked == ["hooks.example"]
    assert where == Destination("https", "hooks.example", 8443, "93.184.215.14", "/a?b=c")
    assert where.named == "hooks.example:8443"
    assert destination("https://hooks.example", private=False).named == "hooks.example"


def test_a_name_that_means_a_private_address_too_is_not_asked(monkeypatch: pytest.MonkeyPatch) -> None:
    resolving(monkeypatch, "93.184.215.14", "10.0.0.1")
    with pytest.raises(NotSent, match="private network"):
        destination("https://hooks.example/", private=False)


def test_plain_http_is_for_private_networks_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    resolving(monkeypatch, "93.184.215.14")
    with pytest.raises(NotSent, match="plain http"):
        destination("http://hooks.example/", private=False)


def test_a_name_that_is_not_found_now_may_be_later(monkeypatch: pytest.MonkeyPatch) -> None:
    def nothing(*_: Any, **__: Any) -> Any:
        raise socket.gaierror(-2, "not known")

    monkeypatch.setattr(socket, "getaddrinfo", nothing)
    with pytest.raises(NotSent, match="was not found") as refused:
        destination("https://hooks.example/", private=False)
    assert not refused.value.for_good


@pytest.fixture
def receiver() -> Iterator[HookReceiver]:
    with hook_receiver() as found:
        yield found


def send(address: str) -> None:
    send_hook(address, {"webhook-id": "a"}, b"{}", private=True)


def test_nobody_is_followed_elsewhere(receiver: HookReceiver) -> None:
    receiver.answers, receiver.location = [302], f"http://127.0.0.1:{receiver.port}/elsewhere"
    with pytest.raises(NotSent, match="status 302") as refused:
        send(receiver.address)
    assert not refused.value.for_good and receiver.paths == ["/hook"]


def test_an_answer_that_is_none_is_no_answer() -> None:
    def babble(connection: socket.socket) -> None:
        connection.recv(65_536)
        connection.sendall(b"HTTP/1.1 200 OK\r\n" + b"x: y\r\n" * 1000)

    with answering(babble) as port, pytest.raises(NotSent, match="did not answer"):
        send(f"http://127.0.0.1:{port}/")


def test_who_does_not_listen_is_told_of_later() -> None:
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    with pytest.raises(NotSent, match="did not answer") as refused:
        send(f"http://127.0.0.1:{port}/")
    assert not refused.value.for_good


@contextmanager
def answering(answer: Any) -> Iterator[int]:
    """Somebody who listens once, and does with the connection what is said; the port."""
    with socket.create_server(("127.0.0.1", 0)) as listening:

        def serve() -> None:
            connection, _ = listening.accept()
            with connection:
                answer(connection)

        thread = Thread(target=serve, daemon=True)
        thread.start()
        yield listening.getsockname()[1]
        thread.join(10)


def test_an_answer_without_an_end_is_cut_off(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each octet comes soon enough, and there would always be another."""
    monkeypatch.setattr(hooks, "IN_ALL_S", 0.5)

    def drip(connection: socket.socket) -> None:
        connection.recv(65_536)
        try:
            while True:
                connection.sendall(b"x")
                time.sleep(0.05)
        except OSError:
            return

    with answering(drip) as port, pytest.raises(NotSent, match="did not answer"):
        send(f"http://127.0.0.1:{port}/")


def test_who_takes_it_and_says_nothing_is_waited_for_and_no_longer(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(hooks, "IN_ALL_S", 0.5)

    def hold(connection: socket.socket) -> None:
        while connection.recv(65_536):
            pass

    with answering(hold) as port, pytest.raises(NotSent, match="did not answer"):
        send(f"http://127.0.0.1:{port}/")


def certificate(folder: Path, name: str) -> Path:
    """A certificate for a name, signed by itself, with its key."""
    key = ec.generate_private_key(ec.SECP256R1())
    subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
    begins = datetime.now(UTC) - timedelta(days=1)
    made = (
        x509.CertificateBuilder().subject_name(subject).issuer_name(subject).public_key(key.public_key())
        .serial_number(x509.random_serial_number()).not_valid_before(begins)
        .not_valid_after(begins + timedelta(days=3))
        .add_extension(x509.SubjectAlternativeName([x509.DNSName(name)]), critical=False)
        .add_extension(x509.BasicConstraints(ca=True, path_length=None), critical=True)
        .sign(key, hashes.SHA256())
    )  # fmt: skip
    encoded = (serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption())
    file = folder / f"{name}.pem"
    file.write_bytes(key.private_bytes(*encoded) + made.public_bytes(serialization.Encoding.PEM))
    return file


@pytest.mark.parametrize("name", ["hooks.example", "other.example"])
def test_a_certificate_must_be_for_the_name_that_was_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    file = certificate(tmp_path, name)
    monkeypatch.setenv("SSL_CERT_FILE", str(file))
    resolving(monkeypatch, "127.0.0.1")
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(file)
    seen: list[bytes] = []

    def answer(connection: socket.socket) -> None:
        try:
            with context.wrap_socket(connection, server_side=True) as safe:
                asked = b""
                while b"{}" not in asked:
                    asked += safe.recv(65_536)
                seen.append(asked)
                safe.sendall(b"HTTP/1.1 204 No Content\r\n\r\n")
                safe.recv(1)  # until the other side is done
        except OSError:
            return

    with answering(answer) as port:
        if name == "hooks.example":
            send(f"https://hooks.example:{port}/a")
            assert b"POST /a HTTP/1.1\r\n" in seen[0] and f"host: hooks.example:{port}".encode() in seen[0]
        else:
            with pytest.raises(NotSent, match="did not answer"):
                send(f"https://hooks.example:{port}/a")
            assert seen == []
