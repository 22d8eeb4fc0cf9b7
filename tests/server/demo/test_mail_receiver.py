"""The demonstration's mailbox takes what a mail server takes, octet for octet; aiosmtpd beside it says what that is."""

from __future__ import annotations

import smtplib
from collections.abc import Iterator
from email.message import EmailMessage

import pytest

from server.demo.mail_receiver import MailReceiver
from tests.server.telling.receivers import mail_server

LETTER = EmailMessage()
LETTER["Subject"] = "Nothing is heard of Curlew 1 – since 21:08"
LETTER["From"], LETTER["To"] = "dayroll@saltmarsh.example", "desk@saltmarsh.example"
LETTER["Message-ID"], LETTER["In-Reply-To"] = "<b@saltmarsh.example>", "<a@saltmarsh.example>"
LETTER.set_content(".\n..\n.a line that begins with a dot\nTrês linhas, açúcar\n\nan end")


@pytest.fixture
def mailbox() -> Iterator[MailReceiver]:
    receiver = MailReceiver()
    yield receiver
    receiver.close()


def spoken_to(mailbox: MailReceiver) -> smtplib.SMTP:
    return smtplib.SMTP("127.0.0.1", int(mailbox.address.rpartition(":")[2]), timeout=10.0)


def test_what_it_takes_is_what_a_mail_server_takes(mailbox: MailReceiver) -> None:
    for letter in (LETTER, LETTER):
        with spoken_to(mailbox) as ours:
            assert ours.send_message(letter) == {}
    with mail_server() as other, smtplib.SMTP("127.0.0.1", other.port, timeout=10.0) as theirs:
        theirs.send_message(LETTER)
    ((envelope, letter),) = other.taken
    for taken in mailbox.taken:
        assert taken.envelope == tuple(envelope) == ("desk@saltmarsh.example",)
        assert taken.said.as_bytes().replace(b"\r\n", b"\n") == letter_without_trace(letter)
        assert (taken.id, taken.answers) == ("b", "a")


def letter_without_trace(letter: EmailMessage) -> bytes:
    """Without what a mail server writes above it (RFC 5321 section 4.4)."""
    for name in ("X-Peer", "X-MailFrom", "X-RcptTo", "Received"):
        del letter[name]
    return letter.as_bytes().replace(b"\r\n", b"\n")


def test_a_letter_for_nobody_or_without_an_end_is_not_taken(mailbox: MailReceiver) -> None:
    with spoken_to(mailbox) as ours:
        assert ours.docmd("MAIL", "FROM:<a@b.example>") == (250, b"OK")
        assert ours.docmd("DATA")[0] == 503
        assert ours.docmd("VRFY", "desk")[0] == 502
        assert ours.docmd("RCPT", "TO:<desk@saltmarsh.example>")[0] == 250
        assert ours.docmd("DATA")[0] == 354
        ours.send(b"Subject: no end\r\n")
        ours.close()
    assert mailbox.taken == []
