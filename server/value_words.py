"""Values of JSON in words: times by a clock, the rest as it is."""

from __future__ import annotations

import json
import re
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from machines.serialization import parse_instant
from scheduling.sky import civil
from scheduling.venues.local_time_text import moment_in_words

INSTANT = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{6}Z", re.ASCII)
LONGEST_VALUE = 120


def value_in_words(value: Any, clock: ZoneInfo | None) -> str:
    """A value of JSON: an instant by the clock, a text as it is, nothing as a hyphen."""
    if value is None or value == "":
        return "-"
    if isinstance(value, str):
        return instant_in_words(parse_instant(value), clock) if INSTANT.fullmatch(value) else value
    return json.dumps(value, ensure_ascii=False)


def instant_in_words(at: datetime, clock: ZoneInfo | None) -> str:
    """A date and a time of day by the clock, or by UTC, which then is said."""
    return civil.instant_in_words(at) if clock is None else moment_in_words(at, clock)


def shortened(text: str) -> str:
    """As much of a value as stands on a line among others."""
    return text if len(text) <= LONGEST_VALUE else f"{text[: LONGEST_VALUE - 1]}…"
