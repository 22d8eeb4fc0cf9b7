"""Statements that no model speaks of, as of tables that stand beside the live ones."""

from __future__ import annotations

from typing import Any


def ran(connection: Any, sql: str, *parameters: Any) -> list[tuple[Any, ...]]:
    """What a statement gives; nothing for one that gives no rows."""
    with connection.cursor() as cursor:
        cursor.execute(sql, parameters or None)
        return cursor.fetchall() if cursor.description else []
