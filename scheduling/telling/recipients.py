"""Whom to tell what is amiss: by mail or webhook, by what they are there for, at which venues, and when.

They are a row beside the log and no events, as contacts are (`scheduling.venues.contacts`): only what stands now is
kept, and whoever is taken away is gone. That somebody changed it, who and when, is an event without a word of it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any
from urllib.parse import urlsplit

from machines.errors import InputError
from machines.operator.language import LANGUAGES
from machines.serialization import structure, unstructure
from scheduling.log.beside_telling import HOUSE
from scheduling.log.models import Recipients
from scheduling.planning.opening_hours import Hours
from scheduling.planning.quiet_hours import QuietHours
from scheduling.queries.names import NOT_IN_NAMES, check_id
from scheduling.sky.zones import zone
from scheduling.venues.contacts import ContactRole, require_email

MOST_RECIPIENTS, MOST_VENUES_EACH = 60, 100
LONGEST_RECIPIENT_NAME, LONGEST_WEBHOOK = 100, 500
MOST_AFTER_MIN = 24 * 60
MOST_SECRET_NUMBER = 9_999


@dataclass(frozen=True, kw_only=True)
class Recipient:
    """Somebody, or some program, that is told.

    Attributes:
        id: of theirs among all; better of a task than of a person: what was sent is named by it.
        role: what they are there for, which is what they are told of.
        name: of a person or of a desk; may be empty.
        email: empty where they are told by webhook. One of the two is needed, and only one.
        webhook: an address of ``https``, or of ``http``; empty where they are told by mail.
        secret_number: of the secret by which a webhook is signed; another number is another secret.
        venues: ids of those that they are told of; none for all, and for the server itself.
        language: of what they are told, by its code.
        zone: IANA name of theirs, whose clock their hours go by; what they are told has the venue's, too.
        on_call: when they are told at all, by that clock; null for always.
        quiet: when they are told only what cannot wait; null for never.
        after_min: they are told when nobody has acknowledged for so many minutes; 0 for at once.
    """

    id: str
    role: ContactRole
    name: str = ""
    email: str = ""
    webhook: str = ""
    secret_number: int = 1
    venues: tuple[str, ...] = ()
    language: str = "en"
    zone: str = "UTC"
    on_call: Hours | None = None
    quiet: QuietHours | None = None
    after_min: int = 0

    def __post_init__(self) -> None:
        check_id(self.id)
        if len(self.name) > LONGEST_RECIPIENT_NAME or not self.name.isprintable() or NOT_IN_NAMES.search(self.name):
            raise InputError("name", "too long, or has a sign that cannot be printed", "give another")
        if bool(self.email) == bool(self.webhook):
            raise InputError("email", "one way is needed, and only one", "give an e-mail address or a webhook")
        require_email(self.email)
        _require_webhook(self.webhook)
        if self.language not in LANGUAGES:
            raise InputError("language", f"{self.language!r} is not spoken here", f"give one of {', '.join(LANGUAGES)}")
        zone(self.zone)
        if len(set(self.venues)) != len(self.venues) or len(self.venues) > MOST_VENUES_EACH:
            raise InputError("venues", "one is given twice, or there are too many", "give each once, or none for all")
        _require_within("after_min", self.after_min, 0, MOST_AFTER_MIN)
        _require_within("secret_number", self.secret_number, 1, MOST_SECRET_NUMBER)

    @property
    def way(self) -> str:
        """How they are told: ``email`` or ``webhook``."""
        return "email" if self.email else "webhook"


@dataclass(frozen=True, kw_only=True)
class AllRecipients:
    """All of them, in the order in which they are shown."""

    recipients: tuple[Recipient, ...] = ()

    def __post_init__(self) -> None:
        if len(self.recipients) > MOST_RECIPIENTS:
            raise InputError("recipients", f"{len(self.recipients)} of them", f"give at most {MOST_RECIPIENTS}")
        ids = [one.id for one in self.recipients]
        if twice := sorted({id for id in ids if ids.count(id) > 1}):
            raise InputError("recipients", f"{twice[0]!r} is there twice", "give each an id of its own")


def all_recipients() -> AllRecipients:
    """As it stands."""
    said = said_recipients()
    return AllRecipients() if said is None else structure(said, AllRecipients)


def said_recipients() -> Any:
    """The same as JSON; None while nobody has said any."""
    row = Recipients.objects.filter(name=HOUSE).first()
    return None if row is None else row.said


def as_said(recipients: AllRecipients) -> Any:
    """As they are kept: JSON."""
    return unstructure(recipients)


def _require_webhook(text: str) -> None:
    """That it is an address; whether it may be asked is seen when it is, as names may come to mean another place."""
    if not text:
        return
    remedy = "give one like https://example.org/hook, without a name or a password in it"
    if len(text) > LONGEST_WEBHOOK or not text.isascii() or not text.isprintable() or " " in text:
        raise InputError("webhook", "too long, or has a sign that stands in no address", remedy)
    try:
        parts = urlsplit(text)
        host, _ = parts.hostname, parts.port
    except ValueError:
        raise InputError("webhook", f"{text!r} is no address", remedy) from None
    if parts.scheme not in ("https", "http") or not host or parts.username is not None or parts.fragment:
        raise InputError("webhook", f"{text!r} is no such address", remedy)


def _require_within(field: str, number: int, least: int, most: int) -> None:
    if not least <= number <= most:
        raise InputError(field, f"{number} is out of range", f"give a whole number from {least} to {most}")
