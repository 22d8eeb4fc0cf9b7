"""Tables change while a board reports: it is asked to wait, at worst, and nothing is lost.

The server that answers is the one of this program: its tables are taken back to those of an older one under it, and
brought up again, as by an update in which it was started before the migrations were run.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest

from machines.node.sync.failures import Refused
from tests.fleet_faults.judged import require_nothing_lost, require_only_asked_to_wait
from tests.server.living import House, database_of, enrolled, furnish

OLDER = "0006"


@pytest.fixture(params=["sqlite", pytest.param("postgresql", marks=pytest.mark.postgres)])
def house(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[House]:
    if request.param == "sqlite":
        yield House(tmp_path)
        return
    with database_of(request.getfixturevalue("postgres_url"), f"migrated_{os.getpid()}") as database:
        yield House(tmp_path, database)


def test_a_board_reports_before_while_and_after_migrations_run(house: House) -> None:
    house.command("migrate")
    with house.served("--web-only"):
        board = enrolled(house, furnish(house))
        with board.reporting():
            board.wait_for(10)
            house.command("django", "migrate", "log", OLDER)
            house.command("migrate")
            board.wait_for(10)
        assert any(isinstance(failure, Refused) for failure in board.failures), "it never met the older tables"
        require_only_asked_to_wait(board)
        require_nothing_lost(house, board)
    assert "It was sealed already." in house.command("log", "seal")
