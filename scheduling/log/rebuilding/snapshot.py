"""Reading as of one instant, while everybody else goes on writing.

On SQLite a transaction of ours keeps everybody from writing from its first moment on, as nearly all of them write. One
that only reads the file, and writes to temporary tables, begins otherwise: in WAL mode it sees the file as it was when
it first read, and keeps nobody from anything. On PostgreSQL it is one of REPEATABLE READ.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from django.db import connections, transaction


@contextmanager
def keeping_nobody(using: str) -> Iterator[None]:
    """Transactions of this connection that begin in the block let others write, until they write themselves."""
    connection: Any = connections[using]
    connection.ensure_connection()
    if connection.vendor != "sqlite":
        yield
        return
    usual, connection.transaction_mode = connection.transaction_mode, "DEFERRED"
    try:
        yield
    finally:
        connection.transaction_mode = usual


@contextmanager
def snapshot(using: str) -> Iterator[None]:
    """What is read in the block is as of one instant; only temporary tables may be written. Outside of a
    transaction."""
    with keeping_nobody(using), transaction.atomic(using=using, durable=True):
        if connections[using].vendor == "postgresql":
            with connections[using].cursor() as cursor:
                cursor.execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ")
        yield
