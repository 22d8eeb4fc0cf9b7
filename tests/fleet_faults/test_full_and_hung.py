"""A disk that is full under a living server, and processes that hang."""

from __future__ import annotations

import os
import resource
import signal
import time
from pathlib import Path

import psycopg
import pytest

from machines.node.sync.failures import Refused
from tests.fleet_faults.judged import require_nothing_lost, require_only_asked_to_wait
from tests.server.living import House, database_of, enrolled, furnish
from tests.server.processes import process, wait_for_line

HOLDS = """
import django; django.setup()
import time
from scheduling.log.claims import claimed
with claimed("plan spring") as ours:
    print("claimed" if ours else "somebody else is at it", flush=True)
    time.sleep(600 if ours else 0)
"""


def test_a_disk_that_fills_up_under_a_server_and_is_cleared(tmp_path: Path) -> None:
    """No file of the server's may grow: a board is told so, or to ask again, and keeps what it has to tell."""
    house = House(tmp_path)
    house.command("migrate")
    with house.served("--web-only") as server:
        board = enrolled(house, furnish(house))
        with board.reporting():
            board.wait_for(5)
            before = resource.prlimit(server.pid, resource.RLIMIT_FSIZE, (4096, resource.RLIM_INFINITY))
            deadline = time.monotonic() + 60.0
            while not any(isinstance(failure, Refused) for failure in board.failures):
                assert time.monotonic() < deadline
                time.sleep(0.05)
            accepted = house.told()
            resource.prlimit(server.pid, resource.RLIMIT_FSIZE, before)
            board.wait_for(5)
        require_only_asked_to_wait(board)
        assert house.told()[: len(accepted)] == accepted
        require_nothing_lost(house, board)


def test_a_server_that_hangs_for_a_while(tmp_path: Path) -> None:
    """A board waits, and does not mind: it is answered, or calls again."""
    house = House(tmp_path)
    house.command("migrate")
    with house.served("--web-only") as server:
        board = enrolled(house, furnish(house))
        with board.reporting():
            board.wait_for(5)
            os.kill(server.pid, signal.SIGSTOP)
            time.sleep(1.0)
            accepted = board.accepted
            os.kill(server.pid, signal.SIGCONT)
            board.wait_for(5)
            assert board.accepted > accepted
        require_only_asked_to_wait(board)
        require_nothing_lost(house, board)


@pytest.mark.postgres
def test_a_drawer_that_hangs_with_a_run_in_its_hands(postgres_url: str, tmp_path: Path) -> None:
    """Nobody else draws that run meanwhile. Once it is killed, as its worker does when its time is over, the next one
    may: its claim ends with its connection."""
    with database_of(postgres_url, f"hung_{os.getpid()}") as database:
        house = House(tmp_path, database)
        environment = house.environment | {"DJANGO_SETTINGS_MODULE": "server.settings"}

        def claims(name: str) -> str:
            log = tmp_path / name
            with process(["-c", HOLDS], environment, log) as other:
                return wait_for_line(other, log, "")

        log = tmp_path / "hung"
        with process(["-c", HOLDS], environment, log) as drawer:
            wait_for_line(drawer, log, "claimed")
            os.kill(drawer.pid, signal.SIGSTOP)
            assert claims("meanwhile") == "somebody else is at it"
            drawer.kill()
            drawer.wait()
            _wait_until_alone(database)
            assert claims("then") == "claimed"


def _wait_until_alone(database: str) -> None:
    """PostgreSQL has seen that a connection is gone."""
    query = "SELECT count(*) FROM pg_stat_activity WHERE datname = current_database() AND pid <> pg_backend_pid()"
    deadline = time.monotonic() + 60.0
    with psycopg.connect(database, autocommit=True) as connection:
        while connection.execute(query).fetchone() != (0,):
            assert time.monotonic() < deadline
            time.sleep(0.05)
