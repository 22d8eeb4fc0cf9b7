"""PostgreSQL is restarted under a server that lives on, or another takes its place."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.fleet_faults.judged import require_nothing_lost, require_only_asked_to_wait
from tests.fleet_faults.replicated import Cluster, clusters
from tests.server.living import House, enrolled, furnish

PATIENCE_S = 60.0
JOBS = "SELECT count(*) FROM log_ownwork WHERE name IN ('extend-plans', 'watch-silence') AND done_at > '{}'"


@pytest.fixture
def primary(tmp_path: Path) -> Iterator[tuple[Cluster, Path]]:
    with clusters() as found:
        yield found


def wait_until(cluster: Cluster, query: str, wanted: int) -> None:
    deadline = time.monotonic() + PATIENCE_S
    while cluster.sql(query) != [(wanted,)]:
        assert time.monotonic() < deadline, query
        time.sleep(0.1)


def test_restarted_under_a_server_that_lives_on(primary: tuple[Cluster, Path], tmp_path: Path) -> None:
    """Nothing is lost, and the server's own work goes on, by connections made anew."""
    cluster, _ = primary
    house = House(tmp_path, cluster.url)
    with house.served():
        board = enrolled(house, furnish(house))
        with board.reporting():
            board.wait_for(5)
            cluster.stop("fast")
            cluster.start()
            ((again,),) = cluster.sql("SELECT now()::text")
            board.wait_for(5)
        require_only_asked_to_wait(board)
        require_nothing_lost(house, board)
        wait_until(cluster, JOBS.format(again), 2)


TOLD = "SELECT count(*) FROM log_event WHERE kind = 'conditions-changed'"
REPLAYED = "SELECT coalesce(pg_last_wal_receive_lsn() <= pg_last_wal_replay_lsn(), true)::int"


@pytest.mark.parametrize("synchronous", [True, False], ids=["synchronous", "asynchronous"])
def test_failed_over(primary: tuple[Cluster, Path], tmp_path: Path, synchronous: bool) -> None:
    """The server is told of both and takes the one that can be written. Where the first waited for the other with each
    commit, nothing that was acknowledged is gone with it. Where it did not, what the other had not got yet is gone from
    the server; the board sees it and tells it again."""
    first, folder = primary
    second = first.follower(folder / "second")
    both = f"postgresql://postgres@127.0.0.1:{first.port},127.0.0.1:{second.port}/postgres"
    house = House(tmp_path, f"{both}?target_session_attrs=read-write&connect_timeout=2")
    if synchronous:
        first.sql("ALTER SYSTEM SET synchronous_standby_names = '*'", "SELECT pg_reload_conf()")
        wait_until(first, "SELECT count(*) FROM pg_stat_replication WHERE sync_state = 'sync'", 1)
    with house.served():
        board = enrolled(house, furnish(house))
        with board.reporting():
            board.wait_for(5)
            if not synchronous:
                second.stop("fast")  # as where the line between them is slow
            acknowledged = board.wait_for(5)
            first.stop("immediate")
            if not synchronous:
                second.start()
            wait_until(second, REPLAYED, 1)
            ((kept,),) = second.sql(TOLD)  # before it can be written, as the board tells again at once
            second.promote()
            assert (kept >= acknowledged) == synchronous
            board.wait_for(5)
        require_only_asked_to_wait(board)
        require_nothing_lost(house, board)
