"""Log lines as JSON, one object a line, for whoever gathers them (``DAYROLL_LOG=json``); and what no line says."""

from __future__ import annotations

import json
import logging
import re

from machines.clock import utc
from server.one_line import LONGEST
from server.request_id import NOW

UNSAID = "..."
# Tokens and keys, but for the visible part; passwords in addresses; secrets of calendars and of messages in addresses.
_SECRETS = [
    (re.compile(r"\b([a-z]+_[0-9a-f]{10})_[\w-]{20,}"), r"\g<1>_"),
    (re.compile(r"(://[^\s/@:]*:)[^\s/@]+(?=@)"), r"\g<1>"),
    (re.compile(r"([?&]secret=)[^\s&\"']+"), r"\g<1>"),
    (re.compile(r"(/see-to/[\w-]+/)[0-9a-f]{32,}"), r"\g<1>"),
    (re.compile(r"\b(whsec_)[\w+/-]{20,}=*"), r"\g<1>"),
    (re.compile(r"(?i)\b(bearer )(?![a-z]+_[0-9a-f]{10}_)[\w.~+/-]{8,}=*"), r"\g<1>"),
]


def unsaid(text: str) -> str:
    """A text without the secrets that can be told by their form. What logs something takes care itself that it says
    none; this is for what comes from libraries and with failures."""
    for form, kept in _SECRETS:
        text = form.sub(kept + UNSAID, text)
    return text


class PlainLine(logging.Formatter):
    """A line for people, and a traceback below it."""

    def format(self, record: logging.LogRecord) -> str:
        """The line."""
        return unsaid(super().format(record))


class JsonLine(logging.Formatter):
    """An object: ``at`` (UTC), ``level``, ``logger``, ``message``, ``request`` (its number; null outside of one), and
    ``traceback`` where something failed."""

    def __init__(self, *, short: bool = False) -> None:
        """Where ``short``, no longer than a line, and without a traceback: for what strangers can have said often."""
        super().__init__()
        self._short = short

    def format(self, record: logging.LogRecord) -> str:
        """The line."""
        message = record.getMessage()
        said = {
            "at": utc(record.created).isoformat(timespec="milliseconds").replace("+00:00", "Z"),
            "level": record.levelname,
            "logger": record.name,
            "message": unsaid(message[:LONGEST] if self._short else message),
            "request": self._request(record),
        }
        if record.exc_info and not self._short:
            said["traceback"] = unsaid(self.formatException(record.exc_info))
        return json.dumps(said)

    @staticmethod
    def _request(record: logging.LogRecord) -> str | None:
        """The framework says some things once a request is over, and then hands it on itself."""
        of_record = getattr(getattr(record, "request", None), "dayroll_request_id", None)
        return NOW.get() if of_record is None else str(of_record)
