"""What the API answers, in words at the terminal: times by a venue's clock, the rest as it is."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import Any
from zoneinfo import ZoneInfo

from machines.serialization import parse_instant
from server.value_words import instant_in_words, value_in_words

# What a list says of each, as far as it has it.
LISTED = ("name", "venue", "machine", "source", "kind", "starts_at", "ends_at", "opens_at", "begins_at", "raised_at")
STATES = {
    "called_off_at": "called off",
    "withdrawn_at": "withdrawn",
    "retired_at": "retired",
    "cleared_at": "cleared",
}
KNOWS = {True: "the machine knows", False: "the machine does not know yet", None: ""}


def row_in_words(row: dict[str, Any], clock: ZoneInfo | None) -> Iterator[str]:
    """A line for each field."""
    width = max(map(len, row))
    for name, value in row.items():
        said = value["in_words"] if isinstance(value, dict) and "in_words" in value else value_in_words(value, clock)
        yield f"{name:{width}}  {said}"
    if clock is not None:
        yield f"Times are by the clock of {clock.key}."


def rows_in_words(rows: Sequence[dict[str, Any]], clock_of: Callable[[Any], ZoneInfo | None]) -> Iterator[str]:
    """A line for each row, in columns."""
    lines = [[str(row["id"]), *_listed(row, clock_of(row))] for row in rows]
    widths = [max(map(len, column)) for column in zip(*lines, strict=True)]
    for line in lines:
        yield "  ".join(f"{text:{width}}" for text, width in zip(line, widths, strict=True)).rstrip()


def _listed(row: dict[str, Any], clock: ZoneInfo | None) -> Iterator[str]:
    yield from (value_in_words(row[name], clock) for name in LISTED if name in row)
    states = [said for name, said in STATES.items() if row.get(name)]
    board = row.get("board") or {}
    yield ", ".join(filter(None, [*states, KNOWS[board.get("knows")]]))


def preview_in_words(preview: dict[str, Any], clock: ZoneInfo | None) -> Iterator[str]:
    """What a change would do: what differs, what follows, and what should be meant."""
    if preview["fields"]:
        yield "What differs" + ("" if clock is None else f" (times by the clock of {clock.key})") + ":"
        yield from _fields(preview["fields"], clock)
    if preview["in_words"]:
        yield "What follows:"
        yield from (f"  {one}" for one in preview["in_words"])
    if preview["warnings"]:
        yield "Warnings:"
        yield from (f"  {one['in_words']}" for one in preview["warnings"])


def history_in_words(history: dict[str, Any], clock: ZoneInfo | None) -> Iterator[str]:
    """Each step: when, who, what, from what to what, and why; at the end what the board knows."""
    for step in history["steps"]:
        at = instant_in_words(parse_instant(step["said_at"]), clock)
        yield "  ".join(filter(None, [at, step["kind"], f"by {step['actor']}", KNOWS[step["machine_knows"]]]))
        yield from _fields(step["fields"], clock)
        if step["reason"]:
            yield f"  because: {step['reason']}"
    if history["board"]:
        yield history["board"]["in_words"]


def _fields(fields: Sequence[dict[str, Any]], clock: ZoneInfo | None) -> Iterator[str]:
    for one in fields:
        before, after = (value_in_words(one[side], clock) for side in ("before", "after"))
        yield f"  {one['field']}: {before} -> {after}"
