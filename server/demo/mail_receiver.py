"""A mail server, as somebody who is told by mail has one: it takes what is handed to it by SMTP, and keeps it.

As much of RFC 5321 as a receiver on loopback needs, which takes everything, relays nothing and knows no extension.
"""

from __future__ import annotations

import threading
from dataclasses import dataclass, field
from email import message_from_bytes, policy
from email.message import EmailMessage
from socketserver import StreamRequestHandler, ThreadingTCPServer

END = b".\r\n"  # of a letter, and alone in a line (RFC 5321 section 4.1.1.4)


@dataclass(frozen=True)
class Letter:
    """A letter that came in: whom its envelope was for, and what it is."""

    envelope: tuple[str, ...]
    said: EmailMessage

    @property
    def id(self) -> str:
        """What stands in its ``Message-ID`` before the host."""
        return _local(self.said["Message-ID"] or "")

    @property
    def answers(self) -> str:
        """The same of the letter that it is an answer to; empty for none."""
        return _local(self.said["In-Reply-To"] or "")


@dataclass
class MailReceiver:
    """Listens on loopback until it is closed.

    Attributes:
        taken: what came, in order.
    """

    taken: list[Letter] = field(default_factory=list)

    def __post_init__(self) -> None:
        self._server = _Server(self.taken)
        self._thread = threading.Thread(target=self._server.serve_forever, name="mail", daemon=True)
        self._thread.start()

    @property
    def address(self) -> str:
        """Where it listens."""
        return f"smtp://127.0.0.1:{self._server.server_address[1]}"

    def close(self) -> None:
        """Listen no more."""
        self._server.shutdown()
        self._thread.join()
        self._server.server_close()


def _local(message_id: str) -> str:
    return message_id.strip().removeprefix("<").partition("@")[0]


class _Server(ThreadingTCPServer):
    daemon_threads = True

    def __init__(self, taken: list[Letter]) -> None:
        self.taken = taken
        super().__init__(("127.0.0.1", 0), _Conversation)


class _Conversation(StreamRequestHandler):
    """A conversation (RFC 5321 section 4.1)."""

    server: _Server

    def handle(self) -> None:
        self._envelope: list[str] = []
        self._say("220 A mailbox of the demonstration")
        for line in self.rfile:
            verb, _, rest = line.decode("ascii", "replace").strip().partition(" ")
            if verb.upper() == "QUIT":
                self._say("221 Bye")
                return
            self._say(self._answer(verb.upper(), rest))

    def _answer(self, verb: str, rest: str) -> str:
        if verb in ("EHLO", "HELO", "MAIL", "RSET"):
            self._envelope = []
        elif verb == "RCPT":
            self._envelope.append(rest.partition("<")[2].partition(">")[0])
        elif verb == "DATA":
            return self._data()
        elif verb != "NOOP":
            return "502 That is not spoken here"
        return "250 OK"

    def _data(self) -> str:
        """Take a letter, without the dot that stands before each line that begins with one (section 4.5.2)."""
        if not self._envelope:
            return "503 Say for whom first"
        self._say("354 Go on")
        lines = []
        while (line := self.rfile.readline()) != END:
            if not line:
                return "451 It has no end"
            lines.append(line.removeprefix(b"."))
        self.server.taken.append(
            Letter(tuple(self._envelope), message_from_bytes(b"".join(lines), policy=policy.default))
        )
        self._envelope = []
        return "250 OK"

    def _say(self, line: str) -> None:
        self.wfile.write(f"{line}\r\n".encode("ascii"))
