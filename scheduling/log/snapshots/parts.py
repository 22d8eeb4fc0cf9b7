"""The rows of a snapshot, table by table in parts: neighbours by their keys, so that what is over is kept once.

A part is all rows of its table whose keys have one number. It is kept anew, whole, where one of its rows changed; at a
snapshot the newest from then or before stands. So a snapshot takes no more than what changed since the last one.
"""

from __future__ import annotations

import zlib
from collections.abc import Iterable, Iterator, Sequence
from typing import Any, TypeVar

import msgspec
from django.db import connections
from django.db.models import Model

from scheduling.log.models import (
    HandUse,
    Outage,
    PrintedStretch,
    Segment,
    SnapshotPart,
    Strip,
    SupplyChange,
    ToldBefore,
)
from scheduling.log.rows.earlier_rows import EarlierRows
from scheduling.log.rows.row_sql import table

Row = TypeVar("Row", bound=Model)

# So many numbers of segments, of events of a machine, or columns between cuts, are neighbours.
SEGMENTS, VERSIONS, CUT_COLUMNS = 64, 512, 16_384
_NEIGHBOURS: dict[type[Model], int] = {
    Segment: SEGMENTS,
    PrintedStretch: VERSIONS,
    SupplyChange: VERSIONS,
    HandUse: VERSIONS,
    ToldBefore: VERSIONS,
    Strip: CUT_COLUMNS,
}
_OF_PART = "scope = %s AND rows_of = %s AND place <= %s"
_ONE = f"SELECT data FROM log_snapshotpart WHERE {_OF_PART} AND part = %s ORDER BY place DESC LIMIT 1"
_NUMBERS = f"SELECT DISTINCT part FROM log_snapshotpart WHERE {_OF_PART}{{more}} ORDER BY part"
_NEWEST = f"SELECT part, max(place) AS place FROM log_snapshotpart WHERE {_OF_PART}"
_ENDING_AFTER = f" AND part IN (SELECT part FROM log_snapshotpart WHERE {_OF_PART} AND end_column > %s)"
_SEVERAL = """SELECT kept.part, kept.data FROM log_snapshotpart AS kept JOIN ({newest} GROUP BY part) AS newest
    ON kept.part = newest.part AND kept.place = newest.place WHERE kept.scope = %s AND kept.rows_of = %s"""


def part_of(model: type[Model], key: Any) -> int:
    """The number of the part that holds the row with a key."""
    if model is Outage:  # its id ends with a version
        version = key.rpartition("-")[2]
        return int(version) // VERSIONS if version.isdigit() else 0
    neighbours = _NEIGHBOURS.get(model)
    return 0 if neighbours is None else int(key[1]) // neighbours


class Parts:
    """The rows of a scope as they stood at a place; see `scheduling.log.rows.earlier_rows.Earlier`.

    Args:
        scope: its name.
        place: of the snapshot.
        using: alias of the database.
    """

    def __init__(self, scope: str, place: int, using: str) -> None:
        self._scope, self._place, self._using = scope, place, using
        self._given: dict[type[Model], set[int]] = {}
        # From which column on all was given, by the table; None for all.
        self._from: dict[type[Model], int | None] = {}

    def with_key(self, model: type[Row], key: Any) -> list[Row]:
        """The rows beside that with a primary key, and itself."""
        return self._with_part(model, part_of(model, key))

    def _with_part(self, model: type[Row], part: int) -> list[Row]:
        given = self._given.setdefault(model, set())
        if part in given or self._from.get(model, 0) is None:
            return []
        given.add(part)
        of_part = (self._scope, model._meta.db_table, self._place)
        return [row for (data,) in self._asked(_ONE, [*of_part, part]) for row in self._rows(model, data)]

    def from_column(self, model: type[Row], column: int | None) -> list[Row]:
        """The rows that end after a column, and others; all where they have none."""
        if not _has_columns(model):
            column = None
        if model in self._from:
            before = self._from[model]
            if before is None or (column is not None and before <= column):
                return []
        self._from[model] = column
        of_part, given = [self._scope, model._meta.db_table, self._place], self._given.setdefault(model, set())
        newest, asked = (
            (_NEWEST, of_part) if column is None else (_NEWEST + _ENDING_AFTER, [*of_part, *of_part, column])
        )
        found = self._asked(_SEVERAL.format(newest=newest), [*asked, self._scope, model._meta.db_table])
        missing = [(part, data) for part, data in found if part not in given]
        given.update(part for part, _ in missing)
        return [row for _, data in missing for row in self._rows(model, data)]

    def numbered_after(self, model: type[Row], number: int | None) -> Iterator[tuple[int, list[Row]]]:
        """The rows whose numbers lie after one, and others, part by part."""
        neighbours, of_part = _NEIGHBOURS[model], [self._scope, model._meta.db_table, self._place]
        if number is None:
            parts = self._asked(_NUMBERS.format(more=""), of_part)
        else:
            parts = self._asked(_NUMBERS.format(more=" AND part >= %s"), [*of_part, number // neighbours])
        for (part,) in parts:
            yield (part + 1) * neighbours, self._with_part(model, part)

    def _asked(self, question: str, values: Sequence[Any]) -> list[Any]:
        with connections[self._using].cursor() as cursor:
            cursor.execute(question, values)
            return list(cursor.fetchall())

    def _rows(self, model: type[Row], data: bytes) -> Iterable[Row]:
        kept = table(model, self._using)
        return map(kept.row_of, msgspec.msgpack.decode(zlib.decompress(data)))


def changed_parts(scope: str, place: int, rows: EarlierRows, using: str) -> list[SnapshotPart]:
    """The parts with rows that changed, to be kept at a snapshot.

    Args:
        scope: its name.
        place: of the snapshot.
        rows: as they stand there; whatever changed since the snapshot before is marked so.
        using: alias of the database.
    """
    made = []
    for model, keys in rows.touched().items():
        key_of = table(model, using).key_of
        of_parts: dict[int, list[Any]] = {part_of(model, key): [] for key in keys}
        for row in rows.beside(model, keys):
            if (of_part := of_parts.get(part_of(model, key_of(row)))) is not None:
                of_part.append(row)
        made += [_part(scope, place, model, part, sorted(some, key=key_of), using) for part, some in of_parts.items()]
    return made


def _part(scope: str, place: int, model: type[Model], part: int, rows: Sequence[Any], using: str) -> SnapshotPart:
    values = [table(model, using).values_of(row) for row in rows]
    return SnapshotPart(
        scope=scope,
        rows_of=model._meta.db_table,
        part=part,
        place=place,
        end_column=max(map(_end_column, rows), default=None) if _has_columns(model) else None,
        data=zlib.compress(msgspec.msgpack.encode(values)),
    )


def _has_columns(model: type[Model]) -> bool:
    return model in (Segment, PrintedStretch, Strip)


def _end_column(row: Any) -> int:
    return int(row.boundary + 1 if isinstance(row, Strip) else row.end_column)
