"""What people made of a thing, in words: who, when, what, and why."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from django.contrib.auth import get_user_model

from machines.serialization import parse_instant
from server.desk.subjects import Row, Subject
from server.value_words import instant_in_words, value_in_words

LONGEST_VALUE = 120
KNOWS = {True: "the machine knows", False: "the machine does not know yet", None: ""}


@dataclass(frozen=True)
class ShownStep:
    """One thing that was said: of the first step of a thing, its fields are left out."""

    did: str
    when: str
    by: str
    why: str
    knows: str
    fields: tuple[str, ...]


def steps_in_words(steps: Sequence[dict[str, Any]], subject: Subject, row: Row) -> list[ShownStep]:
    """The steps of a history, the newest first."""
    clock, names = subject.clock(row), _names(steps)
    form = None if subject.change is None else subject.change()
    return [
        ShownStep(
            did=_did(step["kind"]),
            when=instant_in_words(parse_instant(step["said_at"]), clock),
            by=names.get(step["actor"], step["actor"]),
            why=step["reason"] or "",
            knows=KNOWS[step["machine_knows"]],
            fields=()
            if step["version"] == 1
            else tuple(
                f"{one['field'].replace('_', ' ') if form is None else form.label_of(one['field'])}:"
                f" {_short(value_in_words(one['before'], clock))} → {_short(value_in_words(one['after'], clock))}"
                for one in step["fields"]
            ),
        )
        for step in reversed(steps)
    ]


def _short(text: str) -> str:
    return text if len(text) <= LONGEST_VALUE else f"{text[: LONGEST_VALUE - 1]}…"


def _did(kind: str) -> str:
    """The kind of an event as a few words, such as "Venue changed"."""
    return re.sub(r"[-_]", " ", kind).capitalize()


def _names(steps: Sequence[dict[str, Any]]) -> dict[str, str]:
    """The names of the accounts that said something, all in one question."""
    numbers = {step["actor"].partition(":")[2] for step in steps if step["actor"].startswith("user:")}
    rows = get_user_model().objects.filter(pk__in=[one for one in numbers if one.isdecimal()])
    return {f"user:{person.pk}": person.get_username() for person in rows}
