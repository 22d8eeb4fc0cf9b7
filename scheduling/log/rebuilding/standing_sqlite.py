"""Tables beside the live ones in SQLite's file, and how they change places.

A table and its indexes begin at pages of the file which the file's own list of tables names. They change places when
those numbers do: no row is moved, and every name stays, also those of the indexes, which SQLite has no other way to
give to another. The list may be written after `PRAGMA writable_schema`; that it has changed is said by its version,
upon which every connection reads it anew. All of it is part of the transaction.

Nobody else can write while a transaction of ours does. So rows are laid and taken away some at a time, and in between
others have their turn: SQLite lets them try again at least every tenth of a second.
"""

from __future__ import annotations

import re
import time
from collections.abc import Sequence
from typing import Any

from django.db import connections, transaction
from django.db.models import Model

from machines.errors import DayrollError
from scheduling.log.rebuilding.folding import Progress
from scheduling.log.rebuilding.plain_sql import ran

PREFIX = "again_"
# So many rows are laid or taken away in one transaction.
AT_ONCE = 1000
# Between two of them, seconds; more than those who wait to write sleep before they try again.
PAUSE_S = 0.12


class SQLiteTables:
    """See `scheduling.log.rebuilding.standing_tables.Standing`."""

    def __init__(self, tables: Sequence[type[Model]], token: str, using: str) -> None:
        self._names = [table._meta.db_table for table in tables]
        self._prefix = f"{PREFIX}{token}_"
        self._connection: Any = connections[using]

    def require_may(self) -> None:
        """Whoever may write the file may do all of it."""

    def fill(self, progress: Progress) -> None:
        """Make them, and lay the twins' rows in them, some at a time."""
        with self._transaction():
            for name in self._names:
                for sql in self._value_lists(
                    "SELECT sql FROM main.sqlite_master WHERE tbl_name = %s AND sql <> '' ORDER BY type DESC", name
                ):
                    self._execute(self._renamed(sql))
        rows = sum(self._value(f"SELECT count(*) FROM temp.{name}") for name in self._names)
        laid = 0
        for name in self._names:
            after = -1
            while (upto := self._upto(name, after)) is not None:
                with self._transaction():
                    self._require_there()
                    self._execute(
                        f"INSERT INTO main.{self._prefix}{name} SELECT * FROM temp.{name}"
                        f" WHERE rowid > {after} AND rowid <= {upto}"
                    )
                after, laid = upto, min(laid + AT_ONCE, rows)
                progress("rows laid beside the live ones", laid, rows)
                time.sleep(PAUSE_S)

    def exchange(self) -> None:
        """Let them and the live tables change places, within a transaction."""
        self._require_there()
        self._execute("PRAGMA writable_schema = ON")
        roots = dict(self._execute("SELECT name, rootpage FROM main.sqlite_master WHERE type IN ('table', 'index')"))
        for live, other in self._pairs():
            for name, root in ((live, roots[other]), (other, roots[live])):
                self._execute("UPDATE main.sqlite_master SET rootpage = %s WHERE name = %s", root, name)
        version = int(self._value("PRAGMA main.schema_version"))
        self._execute(f"PRAGMA main.schema_version = {version + 1}")
        self.read_anew()

    def read_anew(self) -> None:
        """Forget where tables lay: after a transaction that was given up, too, they lie elsewhere than was read."""
        self._execute("PRAGMA writable_schema = RESET")

    def clear(self) -> None:
        """Take away every table of this kind, also what others left that were ended in between."""
        for name in self._value_lists(f"SELECT name FROM main.sqlite_master WHERE type = 'table' AND {_OURS}"):
            self._take_away(name)

    def _take_away(self, name: str) -> None:
        """The indexes one by one, then the rows some at a time, then the table: each is quick."""
        indexes = "SELECT name FROM main.sqlite_master WHERE type = 'index' AND tbl_name = %s AND sql <> ''"
        for index in self._value_lists(indexes, name):
            with self._transaction():
                self._execute(f"DROP INDEX IF EXISTS main.{index}")
        some = f"DELETE FROM main.{name} WHERE rowid IN (SELECT rowid FROM main.{name} LIMIT {AT_ONCE})"
        while self._value(f"SELECT EXISTS (SELECT 1 FROM main.{name})"):
            with self._transaction():
                self._execute(some)
            time.sleep(PAUSE_S)
        with self._transaction():
            self._execute(f"DROP TABLE IF EXISTS main.{name}")

    def _require_there(self) -> None:
        """Raise a DayrollError if ours are gone."""
        there = self._value_lists(f"SELECT name FROM main.sqlite_master WHERE type = 'table' AND {_OURS}")
        if missing := {self._prefix + name for name in self._names}.difference(there):
            raise DayrollError(
                f"{', '.join(sorted(missing))}: gone, as another rebuild has begun meanwhile",
                "let one end, then run it again",
            )

    def _pairs(self) -> list[tuple[str, str]]:
        """Names of the live tables and indexes, with those of ours."""
        return [(name, self._other(name)) for one in self._names for name in self._value_lists(_OF_TABLE, one)]

    def _other(self, name: str) -> str:
        """The name of ours that goes with one of the live ones. SQLite makes some of them from the table's."""
        automatic = re.fullmatch(r"sqlite_autoindex_(.+)", name)
        return f"sqlite_autoindex_{self._prefix}{automatic[1]}" if automatic else self._prefix + name

    def _renamed(self, sql: str) -> str:
        """What made a table or an index, for ours."""
        renamed, times = re.subn(r'^(CREATE (?:TABLE|(?:UNIQUE )?INDEX) )"', rf'\1main."{self._prefix}', sql)
        if times != 1:
            raise DayrollError(f"cannot be made again: {sql}", "run migrations as they come")
        if sql.startswith("CREATE TABLE"):
            return renamed
        return re.sub(r' ON "', f' ON "{self._prefix}', renamed, count=1)

    def _upto(self, name: str, after: int) -> int | None:
        """The last row of the next ones."""
        some = f"SELECT rowid FROM temp.{name} WHERE rowid > {after} ORDER BY rowid LIMIT {AT_ONCE}"
        found = self._value(f"SELECT max(rowid) FROM ({some})")
        return None if found is None else int(found)

    def _transaction(self) -> Any:
        return transaction.atomic(using=self._connection.alias)

    def _value_lists(self, sql: str, *parameters: Any) -> list[Any]:
        return [value for (value,) in self._execute(sql, *parameters)]

    def _value(self, sql: str, *parameters: Any) -> Any:
        return self._execute(sql, *parameters)[0][0]

    def _execute(self, sql: str, *parameters: Any) -> list[tuple[Any, ...]]:
        return ran(self._connection, sql, *parameters)


_OURS = f"substr(name, 1, {len(PREFIX)}) = '{PREFIX}'"
_OF_TABLE = "SELECT name FROM main.sqlite_master WHERE tbl_name = %s AND type IN ('table', 'index')"
