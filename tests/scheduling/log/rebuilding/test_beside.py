"""A rebuild beside a living server: who waits for it, for how much, and what is there when it is ended."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from django.db import connections, transaction

from machines.errors import DayrollError, InputError
from scheduling.log import models
from scheduling.log.ends import lock
from scheduling.log.events.server import StreamClosed
from scheduling.log.integrity.role import prepare
from scheduling.log.projecting.projector import BROKEN
from scheduling.log.rebuilding import comparing, standing_sqlite
from scheduling.log.rebuilding import rebuild as rebuilding
from scheduling.log.rebuilding.rebuild import rebuild
from scheduling.log.store import last_position
from tests import services
from tests.scheduling.log.facts import PLATE, a_run_on_a_machine, printed, say

ROOT = Path(__file__).resolve().parents[4]
SHAPES = {
    "sqlite": "SELECT type, name, tbl_name, sql FROM sqlite_master ORDER BY 1, 2",
    "postgresql": """SELECT relname::text, relkind::text, relowner::text, relacl::text, pg_get_indexdef(pg_class.oid)
        FROM pg_class JOIN pg_namespace ON pg_namespace.oid = relnamespace WHERE nspname = 'public'
        UNION SELECT conname::text, contype::text, conrelid::regclass::text, NULL, pg_get_constraintdef(oid)
        FROM pg_constraint WHERE connamespace = 'public'::regnamespace ORDER BY 1, 2, 3""",
}


def elsewhere(work: Callable[[], object]) -> None:
    """Do something in a thread, so with a connection of its own, and wait for it."""
    failures = list[BaseException]()

    def do() -> None:
        try:
            work()
        except BaseException as error:  # noqa: BLE001 (a thread's failure must fail the test)
            failures.append(error)
        finally:
            connections.close_all()

    thread = threading.Thread(target=do)
    thread.start()
    thread.join()
    if failures:
        raise failures[0]


@contextmanager
def nobody_may_append(using: str) -> Iterator[threading.Event]:
    """Somebody else holds the lock of the log's end in the block, or until a minute is over, which the event says."""
    held, done, too_long = threading.Event(), threading.Event(), threading.Event()

    def hold() -> None:
        with transaction.atomic(using=using):
            lock(using)
            held.set()
            if not done.wait(60):
                too_long.set()
        connections.close_all()

    thread = threading.Thread(target=hold)
    thread.start()
    held.wait()
    try:
        yield too_long
    finally:
        done.set()
        thread.join()


def asked(using: str, sql: str) -> list[tuple[Any, ...]]:
    with connections[using].cursor() as cursor:
        cursor.execute(sql)
        return list(cursor.fetchall())


class BesideContract:
    using: str

    @pytest.fixture(autouse=True)
    def a_log(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(standing_sqlite, "PAUSE_S", 0.0)
        monkeypatch.setattr(rebuilding, "AGAIN_AFTER_S", 0.0)
        a_run_on_a_machine(0, 1, 2, 3, using=self.using)
        say("machine/left", *[printed(seq, seq - 1, seq) for seq in range(1, 31)], using=self.using)

    def tamper(self) -> None:
        models.Segment.objects.using(self.using).update(printed=49)

    def test_it_waits_for_nobody_unless_something_is_to_be_put_right(self) -> None:
        with nobody_may_append(self.using) as too_long:
            assert all(result.equal for result in rebuild(using=self.using))
            assert not too_long.is_set()
        self.tamper()
        with nobody_may_append(self.using) as too_long:
            results = {result.view: result for result in rebuild(swap=False, using=self.using)}
            assert not too_long.is_set()
        assert [name for name, result in results.items() if not result.equal] == ["runs"]

    def test_only_so_many_events_are_folded_while_nobody_can_append(self, monkeypatch: pytest.MonkeyPatch) -> None:
        """Twelve come while rows are laid beside the live ones; at most five are folded at a time."""
        monkeypatch.setattr(rebuilding, "MOST_LEFT", 5)
        monkeypatch.setattr(comparing, "MOST_LEFT", 5)
        monkeypatch.setattr(standing_sqlite, "AT_ONCE", 2)
        self.tamper()
        seqs, told = iter(range(31, 43)), list[tuple[int, int]]()

        def progress(doing: str, done: int, of: int) -> None:
            if "beside" in doing:
                elsewhere(lambda: [say("machine/left", printed(seq, seq - 1, seq), using=self.using) for seq in seqs])
            elif doing == "newest events folded":
                told.append((done, of))

        before = last_position(using=self.using)
        rebuild(using=self.using, progress=progress)
        assert told == [(before + 5, before + 12), (before + 10, before + 12), (before + 12, before + 12)]
        assert all(result.equal for result in rebuild(swap=False, using=self.using))
        assert models.Run.objects.using(self.using).get().printed == 42
        assert models.FoldedAgain.objects.using(self.using).get().times == 1

    def test_no_row_is_compared_or_moved_while_nobody_can_append(self) -> None:
        self.tamper()
        held, holding = list[str](), False

        def note(execute: Any, sql: str, *rest: Any) -> Any:
            nonlocal holding
            if "pg_advisory_xact_lock" in sql or sql == "BEGIN IMMEDIATE":
                held.clear()
                holding = True
            if holding:
                held.append(sql)
            found = execute(sql, *rest)
            if "log_foldedagain" in sql and sql.startswith("UPDATE"):
                whole.extend(held)
            return found

        whole = list[str]()
        with connections[self.using].execute_wrapper(note):
            rebuild(using=self.using)
        assert whole
        assert [sql for sql in whole if "EXCEPT" in sql or "SELECT *" in sql or "TEMP" in sql.upper()] == []

    def test_tables_keep_their_shape_and_nothing_is_left(self) -> None:
        shape = SHAPES[connections[self.using].vendor]
        before = asked(self.using, shape)
        for _ in range(2):
            self.tamper()
            assert not all(result.equal for result in rebuild(using=self.using))
            assert asked(self.using, shape) == before
        if self.using == "default":
            assert asked(self.using, "PRAGMA integrity_check") == [("ok",)]
        else:
            left = "SELECT 1 FROM pg_namespace WHERE starts_with(nspname, 'dayroll_again_')"
            assert asked(self.using, left) == []

    def test_another_connection_goes_on_with_the_new_tables(self) -> None:
        self.tamper()
        rebuilt, look = threading.Event(), threading.Event()
        seen = list[int]()

        def reads() -> None:
            segments = models.Segment.objects.using(self.using)
            seen.append(segments.get(number=3).printed)
            look.set()
            rebuilt.wait()
            seen.append(segments.get(number=3).printed)
            say("machine/left", printed(31, 30, 31), using=self.using)
            connections.close_all()

        reader = threading.Thread(target=reads)
        reader.start()
        look.wait()
        rebuild(using=self.using)
        rebuilt.set()
        reader.join()
        assert seen == [49, 0]
        assert all(result.equal for result in rebuild(swap=False, using=self.using))

    def test_a_view_that_was_set_aside_goes_on_though_its_rows_are_equal(self) -> None:
        models.BrokenView.objects.using(self.using).create(view="runs", position=37, problem="mended meanwhile")
        assert all(result.equal for result in rebuild(using=self.using))
        assert asked(self.using, BROKEN[0]) == []
        say("machine/left", printed(31, 30, 31), using=self.using)
        assert models.Run.objects.using(self.using).get().printed == 31

    def test_one_that_a_stream_was_closed_beside_puts_nothing_right(self) -> None:
        self.tamper()
        closed = StreamClosed(closed="run/autumn", version=0, digest="", file_digest=PLATE)

        def progress(doing: str, done: int, of: int) -> None:
            if "beside" in doing and done == of:
                elsewhere(lambda: say("archive/empty", closed, using=self.using))

        with pytest.raises(DayrollError, match="closed into an archive meanwhile; run it again"):
            rebuild(using=self.using, progress=progress)
        assert models.Segment.objects.using(self.using).get(number=3).printed == 49

    def test_of_two_the_one_that_began_first_gives_up(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.tamper()
        put_in_place = rebuilding._put_in_place

        def another_first(*given: Any) -> None:
            monkeypatch.setattr(rebuilding, "_put_in_place", put_in_place)
            self.tamper()
            elsewhere(lambda: rebuild(using=self.using))
            put_in_place(*given)

        monkeypatch.setattr(rebuilding, "_put_in_place", another_first)
        with pytest.raises(DayrollError, match="another rebuild has begun meanwhile"):
            rebuild(using=self.using)
        assert all(result.equal for result in rebuild(using=self.using))


@pytest.mark.django_db(transaction=True)
class TestBesideOnSQLite(BesideContract):
    using = "default"

    def test_one_whose_tables_another_took_away_gives_up_before_all_rows_are_laid(self) -> None:
        self.tamper()
        begun = list[str]()

        def progress(doing: str, done: int, of: int) -> None:
            if "beside" in doing and not begun:
                begun.append(doing)
                elsewhere(rebuild)

        with pytest.raises(DayrollError, match="another rebuild has begun meanwhile"):
            rebuild(progress=progress)
        assert all(result.equal for result in rebuild())


@pytest.mark.postgres
@pytest.mark.django_db(databases=["postgres"], transaction=True)
class TestBesideOnPostgreSQL(BesideContract):
    using = "postgres"

    def test_who_reads_is_waited_for_and_the_log_goes_on(self) -> None:
        """A report comes in while a reader keeps the tables from changing places."""
        self.tamper()
        reading, done, reported = threading.Event(), threading.Event(), threading.Event()

        def read() -> None:
            with transaction.atomic(using=self.using):
                list(models.Segment.objects.using(self.using).all())
                reading.set()
                done.wait()
            connections.close_all()

        def report() -> None:
            say("machine/left", printed(31, 30, 31), using=self.using)
            reported.set()
            done.set()
            connections.close_all()

        threads = [threading.Thread(target=read)]
        threads[0].start()
        reading.wait()

        def progress(doing: str, done: int, of: int) -> None:
            if "beside" in doing and done == of:
                threads.append(threading.Thread(target=report))
                threads[-1].start()

        rebuild(using=self.using, progress=progress)
        for thread in threads:
            thread.join()
        assert reported.is_set()
        assert all(result.equal for result in rebuild(swap=False, using=self.using))
        assert models.Run.objects.using(self.using).get().printed == 31

    def test_the_servers_role_compares_and_is_told_who_may_put_right(self) -> None:
        role = "dayroll_server_that_compares"
        prepare(connections["postgres"], role)
        self.tamper()
        asked_of = connections["postgres"].cursor()
        try:
            asked_of.execute(f"SET ROLE {role}")
            assert not all(result.equal for result in rebuild(swap=False, using="postgres"))
            with pytest.raises(InputError, match=f"{role} cannot put .*log_segment.* right: .* as the owner"):
                rebuild(using="postgres")
        finally:
            asked_of.execute("RESET ROLE")
        rebuild(using="postgres")
        asked_of.execute(f"SELECT has_table_privilege('{role}', 'log_segment', 'UPDATE')")
        assert asked_of.fetchone() == (True,)
        asked_of.execute(f"DROP OWNED BY {role}; DROP ROLE {role}")

    def test_what_somebody_made_of_the_tables_is_not_taken_away(self) -> None:
        """A view of the studio's own, as for a report, goes on showing what it was made of."""
        asked_of = connections["postgres"].cursor()
        asked_of.execute("CREATE VIEW of_our_own AS SELECT count(*) AS rows FROM log_segment")
        try:
            self.tamper()
            with pytest.raises(InputError, match="log_segment: of_our_own stands on it"):
                rebuild(using="postgres")
            asked_of.execute("SELECT rows > 0 FROM of_our_own")
            assert asked_of.fetchone() == (True,)
        finally:
            asked_of.execute("DROP VIEW IF EXISTS of_our_own")
        assert all(result.failure is None for result in rebuild(using="postgres"))


def killed(tmp_path: Path, url: str) -> dict[str, Any]:
    environment = os.environ | {"DAYROLL_HOME": str(tmp_path), "DAYROLL_DATABASE": url}
    command = [sys.executable, "-m", "tests.scheduling.log.rebuilding.kills", "9"]
    done = subprocess.run(command, cwd=ROOT, env=environment, check=True, stdout=subprocess.PIPE, text=True)
    return dict(json.loads(done.stdout))


def require_old_or_new(found: dict[str, Any]) -> None:
    assert found["mixed"] == 0
    assert found["old"] > 0
    assert found["new"] > 0
    assert found["left"] > 0, "some were killed while tables stood beside the live ones"
    assert (found["equal"], found["beside"]) == (True, 0)


def test_one_that_is_killed_leaves_the_old_or_the_new_on_sqlite(tmp_path: Path) -> None:
    require_old_or_new(killed(tmp_path, ""))


def test_one_that_is_killed_leaves_the_old_or_the_new_on_postgresql(tmp_path: Path) -> None:
    with services.postgresql(settings=services.CAREFUL) as url:
        require_old_or_new(killed(tmp_path, url))
