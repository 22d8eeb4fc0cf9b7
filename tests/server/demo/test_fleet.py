"""The demonstration on the parts of a fleet: they are those of the compose file, they begin and end, and what does not
work on after a fault is told."""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import psycopg
import pytest

from machines.clock import CompressedClock
from server.demo import __main__ as command
from server.demo.fleet_acts import judged, works_on
from server.demo.mail_receiver import MailReceiver
from server.demo.processes import DemoError, Studio, free_port, run
from server.demo.receiver import Receiver
from server.demo.scenario import CLOCK_BEGINS
from server.demo.server_parts import Served, Stores, embedded, fleet
from server.demo.stage import Stage
from tests.server.test_fleet import SERVICES
from tests.services import SECRET, Objects

FAULT = datetime(2026, 11, 30, 12, 0, tzinfo=UTC)


def clock() -> CompressedClock:
    return CompressedClock(time.clock_gettime(time.CLOCK_BOOTTIME), CLOCK_BEGINS.timestamp(), 1.0)


@pytest.fixture
def served(tmp_path: Path, postgres_url: str, redis_url: str, objects: Objects) -> Iterator[Served]:
    """A fleet that was made, and none of whose parts runs yet."""
    made = fleet(Stores(postgres_url, redis_url, objects.whole_address))(tmp_path, clock(), {})
    yield made
    made.kill()
    (database,) = {child.environment["DAYROLL_DATABASE"].rpartition("/")[2] for child in made.children}
    with psycopg.connect(postgres_url, autocommit=True) as connection:
        connection.execute(f'DROP DATABASE "{database}" WITH (FORCE)')


def option(order: list[str], name: str) -> str | None:
    return next((part.partition("=")[2] for part in order if part.startswith(f"--{name}=")), None)


@pytest.mark.postgres
@pytest.mark.redis
def test_its_parts_are_those_of_the_compose_file(served: Served) -> None:
    queues = {child.name: option(child.command, "queues") for child in served.children}
    assert queues == {
        "the beat": None, "the worker": "celery", "the drawer": "plates", "the sender": "messages",
        "the web": None, "the nodes-web": None,
    }  # fmt: skip
    in_compose = {name: option(one.get("command", []), "queues") for name, one in SERVICES.items()}
    assert {queue for queue in in_compose.values() if queue} == {"plates", "messages"}
    assert {"web", "worker", "drawer", "sender", "beat"} <= SERVICES.keys()
    for child in served.children[-2:]:
        assert child.command[-2] == SERVICES["web"]["command"][2] == "--web-only"


@pytest.mark.postgres
@pytest.mark.redis
def test_its_parts_share_no_folder_and_the_secret_of_their_store_stands_in_a_file(served: Served) -> None:
    homes = [child.environment["DAYROLL_HOME"] for child in served.children]
    assert len({*homes, served.environment["DAYROLL_HOME"]}) == len(homes) + 1
    for child in served.children:
        file = Path(child.environment["DAYROLL_STORE_PASSWORD_FILE"])
        assert file.read_text() == SECRET and SECRET not in child.environment["DAYROLL_STORE"]
        assert child.environment["DAYROLL_SECRET_KEY"] == served.environment["DAYROLL_SECRET_KEY"]


@pytest.mark.postgres
@pytest.mark.redis
def test_it_begins_works_is_killed_begins_again_and_ends(served: Served, tmp_path: Path) -> None:
    served.start()
    served.kill()
    assert not any(child.runs for child in served.children)
    began = datetime.now(UTC)
    served.start()
    stage = Stage(tmp_path, clock(), Studio(served.address, ""), served, Receiver(), MailReceiver(), fault_at=began)
    try:
        (promise,) = works_on(stage)
        assert promise.holds, promise.measured
        served.require_alive()
    finally:
        stage.close()
    assert not any(child.runs for child in served.children)


@pytest.mark.postgres
@pytest.mark.redis
def test_what_answers_can_take_back_nothing_that_was_said(served: Served) -> None:
    key = [sys.executable, "-m", "server", "studio-key", "demo"]
    assert run(key, served.environment).strip()
    address, secret = served.environment["DAYROLL_DATABASE"], Path(served.environment["DAYROLL_DATABASE_PASSWORD_FILE"])
    with psycopg.connect(address, password=secret.read_text()) as connection:
        assert connection.execute("SELECT count(*) FROM log_event").fetchone() != (0,)
        with pytest.raises(psycopg.errors.InsufficientPrivilege):
            connection.execute("DELETE FROM log_event")


@pytest.mark.parametrize(
    ("late", "fault_at", "holds"),
    [
        ({}, FAULT, True),
        ({"watch-silence": FAULT - timedelta(seconds=1)}, FAULT, False),
        ({"send-messages": None}, FAULT, False),
        ({}, None, False),
    ],
    ids=["all done", "one is late", "one was never done", "there was no fault"],
)
def test_what_is_not_done_after_the_last_fault_breaks_the_promise(
    late: dict[str, datetime | None], fault_at: datetime | None, holds: bool
) -> None:
    assert judged(late, fault_at).holds is holds


def test_a_plate_that_stays_lost_breaks_it_too() -> None:
    assert not judged({}, FAULT, ["0" * 64]).holds


def test_one_that_is_no_fleet_promises_nothing_of_it(tmp_path: Path) -> None:
    served = embedded(tmp_path, clock(), {})
    stage = Stage(tmp_path, clock(), Studio(served.address, ""), served, Receiver(), MailReceiver())
    assert works_on(stage) == []
    stage.close()


def test_where_no_database_can_be_made_it_says_so(tmp_path: Path) -> None:
    nowhere = f"postgresql://nobody@127.0.0.1:{free_port()}/none?connect_timeout=2"
    with pytest.raises(DemoError, match=r"no database could be made in the PostgreSQL that was named: .*refused"):
        fleet(Stores(nowhere, "redis://127.0.0.1:1/0", "s3://key:secret@roll"))(tmp_path, clock(), {})


@pytest.mark.parametrize(
    "given", ["--database=postgresql://x@localhost/x", "--broker=redis://localhost/0", "--objects=s3://a:b@roll"]
)
def test_a_fleet_is_named_with_all_three(
    given: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(sys, "argv", ["demo", given])
    with pytest.raises(SystemExit) as ended:
        command.main()
    assert ended.value.code == 2
    assert "a fleet stands on all three: give --database, --broker and --objects" in capsys.readouterr().err
