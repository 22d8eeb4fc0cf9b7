"""What people write lies beside the log: it is shown, it travels, and it can be blotted out without breaking a link."""

from __future__ import annotations

import json
import sqlite3
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing
from io import StringIO
from pathlib import Path
from typing import Any

import pytest
from django.core.management import CommandError, call_command
from django.db import connections, transaction
from django.db.models import Model

from machines.chance import SYSTEM
from machines.errors import InputError
from scheduling.commands.service_windows import call_off
from scheduling.log import models
from scheduling.log.codec.canonical_json import canonical
from scheduling.log.event_records import scan
from scheduling.log.events.visits import ServiceWindowCalledOff
from scheduling.log.integrity import append_only
from scheduling.log.integrity.archive import TABLES, close_streams
from scheduling.log.integrity.held_against import state
from scheduling.log.integrity.remarks_checked import missing_remarks
from scheduling.log.integrity.transfer import check_file, export_log, import_log
from scheduling.log.integrity.verify import BrokenLink, verify
from scheduling.log.projections import VIEWS
from scheduling.log.rebuilding.rebuild import rebuild
from scheduling.log.remarks import FORGED, blot_out, digest_of, keep, remarks, text_of
from scheduling.log.store import read
from scheduling.log.wiping import wipe
from tests.scheduling.log.facts import NOW, by, say, service_weekly, venue

ILL = "Robin is ill, ask Kim"
TRIES = 25


@pytest.fixture
def window() -> models.ServiceWindow:
    """A window that was called off, and why."""
    say("venue/boathouse", venue())
    say("service/rounds", service_weekly())
    call_off("rounds", ILL, by(), SYSTEM)
    return models.ServiceWindow.objects.get()


@pytest.mark.django_db
def test_the_event_holds_a_digest_and_not_the_words(window: models.ServiceWindow) -> None:
    (line,) = scan(stream="service/rounds", after=2, using="default")
    assert ILL not in line.data
    remark = models.Remark.objects.get()
    assert json.loads(line.data) == {"date": None, "reason": None, "remark": remark.digest}
    assert window.called_off_remark == remark.digest == digest_of(remark.salt, ILL)
    assert window.called_off_because is None
    assert text_of(window.called_off_remark) == ILL


@pytest.mark.django_db
def test_the_same_words_have_another_digest_each_time(window: models.ServiceWindow) -> None:
    say("service/other", service_weekly())
    call_off("other", ILL, by(), SYSTEM)
    first, second = models.Remark.objects.all()
    assert first.digest != second.digest
    assert len(first.salt) == len(second.salt) == 32


@pytest.mark.django_db
def test_blotted_out_it_is_gone_and_every_link_holds(window: models.ServiceWindow) -> None:
    heads = verify()
    blot_out(3, by(5))
    assert not models.Remark.objects.exists()
    assert text_of(window.called_off_remark) is None
    assert {stream: head for stream, head in verify().items() if not stream.startswith("remark/")} == heads
    assert all(result.equal for result in rebuild(swap=False))
    (fact,) = read(kinds=["remark-blotted-out"])
    assert (fact.event.remark, fact.event.at_event, fact.actor) == (window.called_off_remark, 3, by().actor)  # type: ignore[union-attr]
    with pytest.raises(InputError, match="is blotted out already"):
        blot_out(3, by(6))


@pytest.mark.django_db
def test_what_cannot_be_blotted_out_is_said() -> None:
    say("venue/boathouse", venue())
    say("service/rounds", service_weekly(), ServiceWindowCalledOff(reason="an old reason"))
    with pytest.raises(InputError, match="nobody wrote anything at event 2"):
        blot_out(2, by())
    with pytest.raises(InputError, match="when reasons stood in the event itself"):
        blot_out(3, by())
    with pytest.raises(InputError, match="there is no event 9"):
        blot_out(9, by())


@pytest.fixture
def another() -> Iterator[sqlite3.Connection]:
    """A connection besides, as of a server that goes on meanwhile."""
    with closing(sqlite3.connect(connections["default"].settings_dict["NAME"], isolation_level=None)) as opened:
        yield opened


def log(*arguments: str) -> str:
    out = StringIO()
    call_command("log", *arguments, stdout=out)
    return out.getvalue()


def in_the_files() -> bool:
    """Whether the words can be read in the database's file, or in its write-ahead log."""
    file = str(connections["default"].settings_dict["NAME"])
    return any(ILL.encode() in Path(f"{file}{end}").read_bytes() for end in ("", "-wal"))


@pytest.mark.django_db(transaction=True)
def test_its_bytes_leave_the_files(another: sqlite3.Connection, window: models.ServiceWindow) -> None:
    assert another.execute("SELECT text FROM log_remark").fetchall() == [(ILL,)]
    assert in_the_files()
    assert "can still be read" not in log("blot", "3")
    assert not in_the_files()


@pytest.mark.django_db(transaction=True)
def test_copies_that_the_database_left_behind_leave_the_files_too(another: sqlite3.Connection) -> None:
    """A page that is full is parted, and what is moved to another stays in the first as well, where nobody sees it."""
    with connections["default"].cursor() as cursor:
        cursor.execute("PRAGMA secure_delete = OFF")  # as libraries of SQLite are built that do not say otherwise
    say("venue/boathouse", venue())
    say("service/rounds", service_weekly())
    for number in range(40):
        if number == 3:
            call_off("rounds", ILL, by(), SYSTEM)
        with transaction.atomic():
            keep(f"{number:0400}", SYSTEM)
    assert "can still be read" not in log("blot", "3")
    assert not in_the_files()
    assert another.execute("SELECT count(*) FROM log_remark").fetchall() == [(40,)]


@pytest.mark.django_db(transaction=True)
def test_closing_its_stream_takes_its_bytes_along(
    another: sqlite3.Connection, window: models.ServiceWindow, tmp_path: Path
) -> None:
    another.execute("SELECT text FROM log_remark").fetchall()
    close_streams(["service/rounds"], tmp_path / "old.jsonl", by(), key=None)
    assert wipe() == ""
    assert not in_the_files()


@pytest.fixture
def impatient() -> Iterator[None]:
    """Nobody waits for another connection."""

    def wait(milliseconds: int) -> None:
        with connections["default"].cursor() as cursor:
            cursor.execute(f"PRAGMA busy_timeout = {milliseconds}")

    wait(1)
    yield
    wait(20_000)


@pytest.mark.django_db(transaction=True)
def test_where_somebody_goes_on_reading_it_is_said(
    another: sqlite3.Connection, window: models.ServiceWindow, impatient: None
) -> None:
    another.execute("BEGIN")
    another.execute("SELECT text FROM log_remark").fetchall()
    assert "stop the server" in log("blot", "3")
    another.execute("COMMIT")
    assert wipe() == ""
    assert not in_the_files()


@pytest.mark.django_db(transaction=True)
def test_where_somebody_goes_on_writing_it_is_said(
    another: sqlite3.Connection, window: models.ServiceWindow, impatient: None
) -> None:
    blot_out(3, by(5))
    another.execute("BEGIN IMMEDIATE")
    assert "could not be written anew (database is locked)" in wipe()
    another.execute("COMMIT")
    assert wipe() == ""
    assert not in_the_files()


def in_its_file(table: str, words: str = ILL) -> bool:
    """Whether words can be read in a table's file of PostgreSQL."""
    with connections["postgres"].cursor() as cursor:
        cursor.execute("CHECKPOINT")
        cursor.execute(
            "SELECT position(%s::bytea in pg_read_binary_file(pg_relation_filepath(%s)))", [words.encode(), table]
        )
        return bool(cursor.fetchone()[0])


def wiped(tables: Sequence[type[Model]], gone: Callable[[], bool]) -> str:
    """What wiping said, once the bytes are gone: while another connection to the server is only just made, whatever its
    database, what was deleted counts as seen by it; then it is wiped again, as is said."""
    for _ in range(TRIES):
        said = wipe(tables, using="postgres")
        if gone():
            return said
        time.sleep(0.2)
    raise AssertionError(f"still there after {TRIES} times: {said}")


@pytest.mark.postgres
@pytest.mark.django_db(transaction=True, databases=["postgres"])
def test_on_postgresql_its_bytes_leave_the_table() -> None:
    with transaction.atomic(using="postgres"):
        said = ServiceWindowCalledOff(remark=keep(ILL, SYSTEM, using="postgres"))
    say("service/rounds", service_weekly(), said, using="postgres")
    assert in_its_file("log_remark")
    blot_out(2, by(5), using="postgres")
    assert "write-ahead log" in wiped((models.Remark,), lambda: not in_its_file("log_remark"))


@pytest.mark.postgres
@pytest.mark.django_db(transaction=True, databases=["postgres"])
def test_on_postgresql_what_an_old_event_said_leaves_the_tables_with_its_stream(tmp_path: Path) -> None:
    tables = ("log_event", "log_servicewindow")
    say("service/rounds", service_weekly(), ServiceWindowCalledOff(reason=ILL), using="postgres")
    models.GivenCommand.objects.using("postgres").create(stream="service/rounds", actor="account-1", digest="f" * 64)
    assert all(map(in_its_file, tables)) and in_its_file("log_givencommand", "service/rounds")
    close_streams(["service/rounds"], tmp_path / "old.jsonl", by(), key=None, using="postgres")
    said = wiped(
        TABLES, lambda: not any(map(in_its_file, tables)) and not in_its_file("log_givencommand", "service/rounds")
    )
    assert "run `VACUUM (FULL) log_event, log_remark, " in said


@pytest.mark.django_db
def test_words_that_were_changed_in_the_database_are_not_shown(window: models.ServiceWindow, tmp_path: Path) -> None:
    models.Remark.objects.update(text="Robin was sacked")
    assert text_of(window.called_off_remark) == FORGED
    assert [one.text for one in remarks()] == [FORGED]
    for command in (["verify"], ["export", "--unsigned", str(tmp_path / "log.jsonl")]):
        with pytest.raises(CommandError, match=r"event 3 .*: what a person wrote at it was changed afterwards"):
            log(*command)
    with pytest.raises(BrokenLink, match="was changed afterwards"):
        close_streams(["service/rounds"], tmp_path / "old.jsonl", by(), key=None)
    blot_out(3, by(5))
    assert log("verify") == "4 events in 3 streams, every link holds.\n"


@pytest.mark.django_db
def test_words_that_were_deleted_unsaid_are_missed(window: models.ServiceWindow, tmp_path: Path) -> None:
    head = tmp_path / "head.json"
    head.write_text(canonical(state(NOW, key=None, streams=False).as_json()))
    say("service/other", service_weekly())
    call_off("other", ILL, by(), SYSTEM)
    blot_out(5, by(5))
    assert missing_remarks() == []
    models.Remark.objects.all().delete()
    assert missing_remarks() == [3]
    for command in (["verify"], ["verify", "--against", str(head)]):
        assert "no event says that it was blotted out, at these events: 3." in log(*command)
    assert [line.rpartition("  ")[2] for line in log("remarks").splitlines()] == ["(missing)", "(blotted out)"]


@pytest.mark.django_db
def test_a_log_without_its_remarks_is_as_good_a_log(window: models.ServiceWindow) -> None:
    lines = [line for line in exported() if ILL not in line]
    empty()
    import_log(lines)
    assert missing_remarks() == [3]
    verify()


@pytest.mark.django_db
def test_words_that_stand_in_a_file_twice_are_refused(window: models.ServiceWindow) -> None:
    lines = exported()
    (index,) = [number for number, line in enumerate(lines) if ILL in line]
    lines.insert(index, lines[index])
    empty()
    with pytest.raises(InputError, match=f"line {index + 2}.*stands in the file twice"):
        import_log(lines)


def exported() -> list[str]:
    out = StringIO()
    export_log(out, made_at=NOW, key=None)
    return out.getvalue().splitlines(keepends=True)


def empty() -> None:
    append_only.lift(connections["default"])
    for table in (models.Event, models.Remark, *(table for view in VIEWS for table in view.tables)):
        table._default_manager.all().delete()
    append_only.apply(connections["default"])


@pytest.mark.django_db
def test_it_travels_with_the_log(window: models.ServiceWindow) -> None:
    lines = exported()
    check_file(lines, key=None)
    empty()
    import_log(lines)
    assert text_of(models.ServiceWindow.objects.get().called_off_remark) == ILL
    blot_out(3, by(5))
    assert not any(ILL in line for line in exported())


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("change", "problem"),
    [
        ({"text": "Robin is well"}, "changed after it was written"),
        ({"remark": "a" * 64}, "does not belong to the event before it"),
        ({"salt": 1}, "1 is not text"),
    ],
)
def test_words_that_were_changed_on_the_way_are_refused(
    window: models.ServiceWindow, change: dict[str, Any], problem: str
) -> None:
    lines = exported()
    (index,) = [number for number, line in enumerate(lines) if ILL in line]
    lines[index] = json.dumps(json.loads(lines[index]) | change) + "\n"
    with pytest.raises(InputError, match=f"line {index + 1}.*{problem}"):
        check_file(lines, key=None)


@pytest.mark.django_db
def test_it_leaves_with_its_stream(window: models.ServiceWindow, tmp_path: Path) -> None:
    file = tmp_path / "old.jsonl"
    close_streams(["service/rounds"], file, by(), key=None)
    assert not models.Remark.objects.exists()
    assert ILL in file.read_text()
    with file.open() as lines:
        check_file(lines, key=None)


@pytest.mark.django_db(transaction=True)
def test_at_the_terminal(window: models.ServiceWindow) -> None:
    assert log("remarks").split(maxsplit=6) == [
        "3",
        "2026-03-28",
        "23:30",
        "UTC",
        "service/rounds",
        "account-1",
        f"{ILL}\n",
    ]
    assert "backups that were made before still have it" in log("blot", "3")
    assert "(blotted out)" in log("remarks")
    with pytest.raises(CommandError, match="blotted out already"):
        log("blot", "3")
