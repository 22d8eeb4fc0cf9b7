"""Tables that stand beside the live ones, with the rows folded again, and take their places at once."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

from django.db import connections
from django.db.models import Model

from machines.chance import SYSTEM
from scheduling.log.rebuilding.folding import Progress
from scheduling.log.rebuilding.standing_postgresql import PostgreSQLTables
from scheduling.log.rebuilding.standing_sqlite import SQLiteTables


class Standing(Protocol):
    """Such tables of one rebuild: their names are nobody else's, so that two of them never mix their rows."""

    def require_may(self) -> None:
        """Raise an InputError unless whoever runs this may do the rest."""

    def fill(self, progress: Progress) -> None:
        """Make them with the rows of the twins; nobody waits for longer than a moment."""

    def exchange(self) -> None:
        """Let them and the live tables change places, within a transaction that keeps others from appending.

        Raises:
            OperationalError: the database cannot just now; try again.
            DayrollError: they are gone, as another rebuild has begun.
        """

    def read_anew(self) -> None:
        """After a transaction with an exchange that was given up."""

    def clear(self) -> None:
        """Take away every table of this kind, also what a rebuild left that was ended in between."""


def standing(tables: Sequence[type[Model]], using: str) -> Standing:
    """Tables to stand beside some of the views', not made yet."""
    of = PostgreSQLTables if connections[using].vendor == "postgresql" else SQLiteTables
    return of(tables, SYSTEM.in_hex(4), using)
