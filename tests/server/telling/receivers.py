"""Those who are told, for real and on loopback: a mail server, and a receiver of webhooks that verifies each with the
library of the scheme's own authors."""

from __future__ import annotations

import json
import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from email import message_from_bytes, policy
from email.message import EmailMessage
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, Envelope, Session
from standardwebhooks.webhooks import Webhook


@dataclass
class MailServer:
    """What a mail server took, in order.

    Attributes:
        port: on loopback.
        taken: each letter, with whom it was for.
        answers: what it says to the next ones instead of taking them.
    """

    port: int = 0
    taken: list[tuple[list[str], EmailMessage]] = field(default_factory=list)
    answers: list[str] = field(default_factory=list)
    refuses: list[str] = field(default_factory=list)

    async def handle_RCPT(  # noqa: N802 - as the library calls it
        self, server: SMTP, session: Session, envelope: Envelope, address: str, options: list[str]
    ) -> str:
        if self.refuses:
            return self.refuses.pop(0)
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(  # noqa: N802 - likewise
        self, server: SMTP, session: Session, envelope: Envelope
    ) -> str:
        if self.answers:
            return self.answers.pop(0)
        assert isinstance(envelope.content, bytes)
        letter = message_from_bytes(envelope.content, policy=policy.default)
        assert isinstance(letter, EmailMessage)
        self.taken.append((list(envelope.rcpt_tos), letter))
        return "250 OK"

    @property
    def subjects(self) -> list[str]:
        return [letter["Subject"] for _, letter in self.taken]


@contextmanager
def mail_server() -> Iterator[MailServer]:
    """A real one."""
    server = MailServer()
    with socket.create_server(("127.0.0.1", 0)) as free:
        server.port = free.getsockname()[1]
    controller = Controller(server, hostname="127.0.0.1", port=server.port)
    controller.start()
    try:
        yield server
    finally:
        controller.stop()


@dataclass
class HookReceiver:
    """What a receiver of webhooks took, in order.

    Attributes:
        port: on loopback.
        secret: by which it verifies them; empty for not at all.
        taken: each body as JSON, with its id.
        ids: of all that came in.
        paths: likewise.
        asked: set once something came in.
        answering: cleared while it takes what comes and says nothing.
        answers: with which statuses it answers the next ones instead.
        location: to where it sends those on that it answers with 302.
    """

    port: int = 0
    secret: str = ""
    taken: list[tuple[str, dict[str, Any]]] = field(default_factory=list)
    ids: list[str] = field(default_factory=list)
    paths: list[str] = field(default_factory=list)
    asked: threading.Event = field(default_factory=threading.Event)
    answering: threading.Event = field(default_factory=threading.Event)
    answers: list[int] = field(default_factory=list)
    location: str = ""

    @property
    def address(self) -> str:
        return f"http://127.0.0.1:{self.port}/hook"


def handler(of: HookReceiver) -> type[BaseHTTPRequestHandler]:
    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["content-length"]))
            of.paths.append(self.path)
            of.ids.append(self.headers["webhook-id"])
            of.asked.set()
            of.answering.wait()
            status = of.answers.pop(0) if of.answers else 204
            if status < 300:
                headers = {name.lower(): value for name, value in self.headers.items()}
                said = Webhook(of.secret).verify(body, headers) if of.secret else json.loads(body)
                of.taken.append((headers["webhook-id"], said))
            with suppress(OSError):  # whoever asked may be gone
                self.send_response(status)
                if status == 302:
                    self.send_header("location", of.location)
                self.send_header("content-length", "0")
                self.end_headers()

        do_GET = do_POST  # noqa: N815 - likewise

        def log_message(self, *args: Any) -> None:
            """Nothing."""

    return Handler


@contextmanager
def hook_receiver() -> Iterator[HookReceiver]:
    """A real one."""
    receiver = HookReceiver()
    receiver.answering.set()
    server = ThreadingHTTPServer(("127.0.0.1", 0), handler(receiver))
    receiver.port = server.server_address[1]
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    try:
        yield receiver
    finally:
        server.shutdown()
        thread.join()
        server.server_close()
