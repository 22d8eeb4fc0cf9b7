"""What people made of a thing, in words: who, when, what, and why."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any
from zoneinfo import ZoneInfo

from machines.serialization import parse_instant
from server.desk.callers import names_of
from server.desk.order_form import OrderForm, leaves
from server.desk.subjects import Row, Subject
from server.value_words import instant_in_words, shortened

# What pages call otherwise than the log does.
SAID_ON_PAGES = {"profile": "model", "source": "picture", "retired": "put away"}
KNOWS = {True: "the machine knows", False: "the machine does not know yet", None: ""}


@dataclass(frozen=True, kw_only=True)
class Said:
    """What somebody said of a thing: when, who and why, and what it changed from what to what."""

    when: str
    by: str
    why: str
    fields: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class ShownStep(Said):
    """One thing that was said: of the first step of a thing, its fields are left out."""

    did: str
    knows: str


@dataclass(frozen=True, kw_only=True)
class ShownVersion(Said):
    """A version of a thing, and in what it is another than the one before."""

    number: int


class Words:
    """The words for what was said of one thing.

    Args:
        subject: its kind.
        row: it.
        told: what was said, each with an ``actor``.
    """

    def __init__(self, subject: Subject, row: Row, told: Sequence[dict[str, Any]]) -> None:
        self.clock, self.names = subject.clock(row), names_of(one["actor"] for one in told)
        self.form = OrderForm() if subject.change is None else subject.change.of(row, None, None)

    def of(self, one: dict[str, Any], at: str, fields: Sequence[dict[str, Any]]) -> dict[str, Any]:
        """When something was said, by whom and why, and what it changed."""
        return {
            "when": instant_in_words(parse_instant(at), self.clock),
            "by": self.names.get(one["actor"], one["actor"]),
            "why": one["reason"] or "",
            "fields": tuple(_fields(fields, self.form, self.clock)),
        }


def steps_in_words(steps: Sequence[dict[str, Any]], subject: Subject, row: Row) -> list[ShownStep]:
    """The steps of a history, the newest first."""
    words = Words(subject, row, steps)
    return [
        ShownStep(
            did=_did(step["kind"]),
            knows=KNOWS[step["machine_knows"]],
            **words.of(step, step["said_at"], [] if step["version"] == 1 else step["fields"]),
        )
        for step in reversed(steps)
    ]


def versions_in_words(versions: Sequence[dict[str, Any]], subject: Subject, row: Row) -> list[ShownVersion]:
    """The versions of a thing, the newest first."""
    words = Words(subject, row, versions)
    before: dict[str, Any] = {}
    shown: list[ShownVersion] = []
    for one in versions:
        said = {name: value for name, value in one["said"].items() if name not in ("version", "retired_at")}
        fields = [{"field": name, "before": before.get(name), "after": value} for name, value in said.items()]
        shown.append(ShownVersion(number=one["version"], **words.of(one, one["since"], fields if before else [])))
        before = said
    return shown[::-1]


def _fields(fields: Sequence[dict[str, Any]], form: OrderForm, clock: ZoneInfo | None) -> Iterator[str]:
    for one in fields:
        for path, *values in leaves(one["field"], one["before"], one["after"]):
            before, after = (shortened(form.words_of(path, value, clock)) for value in values)
            yield f"{form.label_of(path)}: {before} → {after}"


def _did(kind: str) -> str:
    """The kind of an event as the pages say it, such as "Model put away"."""
    words = (SAID_ON_PAGES.get(word, word) for word in re.split(r"[-_]", kind))
    return " ".join(words).capitalize()
