"""Sending a letter by mail, through Django's backend."""

from __future__ import annotations

import smtplib
from email.utils import parseaddr

from django.conf import settings
from django.core.mail import EmailMessage

from scheduling.log.models import Message
from scheduling.telling.recipients import Recipient
from server.telling.failures import NotSent
from server.telling.words import Words

# Of an answer of SMTP: from here on it is for good (RFC 5321 section 4.2.1).
FOR_GOOD = 500


def send_letter(message: Message, one: Recipient, words: Words, answers: str | None) -> None:
    """Hand a letter to the mail server; it has taken it once this returns.

    Args:
        message: that is sent.
        one: to whom.
        words: what it says.
        answers: id of the message that it is an answer to; None for none.

    Its ``Message-ID`` is the same at every try. That a matter is over is an answer to what told of it (RFC 5322 section
    3.6.4), and no program answers it by itself (RFC 3834 section 5).

    Raises:
        NotSent: it was not taken, as far as is known.
    """
    if not settings.SENDS_MAIL:
        raise NotSent("this server has no mail server to send through (DAYROLL_MAIL)")
    headers = {
        "Message-ID": message_id(message.id),
        "Auto-Submitted": "auto-generated",
        "Content-Language": one.language,
    }
    if answers is not None:
        headers |= dict.fromkeys(("In-Reply-To", "References"), message_id(answers))
    subject = " ".join(words.subject.split())  # names in it may have line ends, which no header has
    letter = EmailMessage(subject, "\n\n".join((*words.lines, "-- \nDayroll")), to=[one.email], headers=headers)
    try:
        letter.send()
    except smtplib.SMTPRecipientsRefused as error:
        code = max((code for code, _ in error.recipients.values()), default=0)
        raise NotSent(f"the mail server refuses the address (status {code})", for_good=code >= FOR_GOOD) from error
    except smtplib.SMTPResponseException as error:
        raise NotSent(f"the mail server answers with status {error.smtp_code}") from error
    except (OSError, smtplib.SMTPException) as error:
        raise NotSent(f"the mail server cannot be spoken to ({type(error).__name__})") from error
    except ValueError as error:  # of its address, or what else stands in a header: it stays so
        raise NotSent(f"it cannot be written as mail ({type(error).__name__})", for_good=True) from error


def message_id(id: str) -> str:
    """Of a message, as mail has it."""
    _, sender = parseaddr(settings.DEFAULT_FROM_EMAIL)
    return f"<{id}@{sender.rpartition('@')[2]}>"
