"""The furnished studio, made once by each worker in a database of its own, which every test leaves as it found it.

Furnishing is seven calls and the plates of some turns, a tenth of a second of a processor, and a thousand tests begin
with it. They find it committed, each begins a transaction on it, and what a test does is rolled back.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest
from django.db import connections

from scheduling.rendering.plate_store import PlateStore
from scheduling.rendering.upload_store import UploadStore
from server import jobs, wiring
from tests.server.keys import new_key
from tests.server.studio import IN_ORDER, Caller, HeldClock


@dataclass(frozen=True)
class FurnishedOnce:
    """Where it lies.

    Attributes:
        key: of the studio that furnished it.
        plates: those drawn by then; to be copied, never written into.
    """

    key: str
    database: Path
    plates: Path


def furnish_once(folder: Path) -> FurnishedOnce:
    """One of everything added through the API, and the plans extended, in a copy of the empty database."""
    made = FurnishedOnce("", folder / "furnished.sqlite3", folder / "plates")
    with connections["default"].cursor() as cursor:
        cursor.execute("VACUUM INTO %s", [str(made.database)])
    with in_place_of_the_empty(made.database), pytest.MonkeyPatch.context() as patch:
        clock, plates, uploads = HeldClock(), PlateStore(made.plates), UploadStore(folder / "uploads")
        patch.setattr(wiring, "clock", lambda: clock)
        patch.setattr(wiring, "plates", lambda: plates)
        patch.setattr(wiring, "uploads", lambda: uploads)
        studio = Caller(new_key("tests"))
        for resource, body in IN_ORDER:
            studio.create(resource, body)
        assert jobs.extend() > 0
    return FurnishedOnce(studio.token or "", made.database, made.plates)


@contextmanager
def in_place_of_the_empty(database: Path) -> Iterator[None]:
    """Have Django use another SQLite file for a while; to be entered before a test's transaction begins."""
    connection = connections["default"]
    assert not connection.in_atomic_block, "a transaction has begun on the empty database"
    empty = connection.settings_dict["NAME"]
    connection.close()
    connection.settings_dict["NAME"] = str(database)
    try:
        yield
    finally:
        connection.close()
        connection.settings_dict["NAME"] = empty
