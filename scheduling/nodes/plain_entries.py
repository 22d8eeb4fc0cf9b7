"""Entries in the very form that boards write, read in a fifth of the time. Nearly all are; whatever is not is read with
all checks, which say what is wrong.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from math import isfinite
from typing import Any

import msgspec

from machines.errors import InputError
from machines.protocol.journal_entries import (
    ColumnsPrinted,
    Entry,
    FeedCorrected,
    SetTimeCompared,
    SlipMeasured,
    StripCut,
    TrueAgain,
)
from machines.protocol.upcasts import SCHEMA

# What a board tells again and again: one level deep, but for the columns.
_FREQUENT = (ColumnsPrinted, StripCut, SetTimeCompared, TrueAgain, SlipMeasured, FeedCorrected)
# Characters of 2026-10-24T12:00:00Z, and with microseconds: the forms that say the same to everybody.
_LENGTHS_OF_INSTANT = (20, 27)


@dataclass(frozen=True)
class _Form:
    cls: type[Any]
    names: frozenset[str]
    decimals: tuple[str, ...]


_FORMS: Mapping[str, _Form] = {
    cls.kind: _Form(
        cls, frozenset(one.name for one in fields(cls)), tuple(one.name for one in fields(cls) if one.type == "float")
    )
    for cls in _FREQUENT
    if cls.kind not in SCHEMA
}


def read_plain(raw: dict[str, Any]) -> Entry | None:
    """An entry, as `machines.protocol.upcasts.read_entry` reads it; None where that has to look at it.

    Args:
        raw: as told, from JSON.
    """
    kind, at, columns = raw.get("kind"), raw.get("at"), raw.get("columns")
    form = _FORMS.get(kind) if isinstance(kind, str) else None
    if form is None or not raw.keys() <= form.names:
        return None
    if columns is not None and (not isinstance(columns, dict) or len(columns) != 2):
        return None
    if not isinstance(at, str) or len(at) not in _LENGTHS_OF_INSTANT or at[10] != "T" or at[-1] != "Z":
        return None
    try:
        entry: Entry = msgspec.convert(raw, form.cls)
    except (msgspec.ValidationError, InputError):
        return None
    return entry if all(isfinite(getattr(entry, name)) for name in form.decimals) else None
