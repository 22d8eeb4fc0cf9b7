"""The database itself refuses to change the past."""

from __future__ import annotations

import sqlite3
from pathlib import Path
from typing import Any

import pytest
from django.core.management import call_command
from django.core.management.base import SystemCheckError
from django.db import IntegrityError, connections, transaction
from django.db.backends.sqlite3.base import DatabaseWrapper

from scheduling.log.integrity import append_only
from scheduling.log.integrity.archive import close_streams
from scheduling.log.integrity.checks import log_is_sealed
from scheduling.log.store import read
from tests.scheduling.log.facts import by, say, venue

COLUMNS = "position, stream, version, kind, schema, data, said_at, happened_at, actor, previous_digest, digest"
FORBIDDEN = {
    "update": "UPDATE log_event SET kind = 'opening-fixed'",
    "update of no row": "UPDATE log_event SET kind = 'opening-fixed' WHERE position = 1",
    "delete": "DELETE FROM log_event",
    "delete of one": "DELETE FROM log_event WHERE position = 2",
    "upsert": f"""INSERT INTO log_event ({COLUMNS}) SELECT {COLUMNS} FROM log_event WHERE position = 1
        ON CONFLICT (position) DO UPDATE SET kind = 'opening-fixed'""",
}
FORBIDDEN_ON = {
    "default": FORBIDDEN
    | {
        "replace by position": f"REPLACE INTO log_event ({COLUMNS}) SELECT {COLUMNS} FROM log_event WHERE position = 1",
        "replace by version": f"""INSERT OR REPLACE INTO log_event ({COLUMNS})
            SELECT {COLUMNS.replace("position", "position + 2", 1)} FROM log_event WHERE position = 1""",
        "update or replace": "UPDATE OR REPLACE log_event SET position = 2 WHERE position = 1",
    },
    "postgres": FORBIDDEN
    | {
        "truncate": "TRUNCATE log_event",
        "truncate with others": "TRUNCATE log_venue, log_event CASCADE",
        "as a replica": "SET session_replication_role = replica; DELETE FROM log_event",
        "merge": """MERGE INTO log_event USING log_venue ON log_event.stream = 'venue/' || log_venue.id
            WHEN MATCHED THEN DELETE""",
    },
}


class SealContract:
    using: str

    @pytest.fixture(autouse=True)
    def two_events(self) -> None:
        say("venue/a", venue(), venue(name="The Lamp Room"), using=self.using)

    def test_every_way_to_change_the_past_is_refused(self) -> None:
        before = list(read(using=self.using))
        for way, sql in FORBIDDEN_ON[self.using].items():
            with pytest.raises(IntegrityError, match="never changed or deleted"), transaction.atomic(using=self.using):
                self.execute(sql)
            assert list(read(using=self.using)) == before, way

    def test_an_event_out_of_line_is_refused(self) -> None:
        """Far ahead, which would use up the positions; one too far; before the first; and all but one in line."""
        of_another = COLUMNS.replace("position, stream", "{position}, 'venue/b'")
        for position in (2**63 - 1, 4, 0, -1):
            with pytest.raises(IntegrityError, match="position after the newest"), transaction.atomic(using=self.using):
                self.insert(of_another.format(position=position))
        with pytest.raises(IntegrityError, match="position after the newest"), transaction.atomic(using=self.using):
            self.insert(of_another.format(position="2 * position + 1"), "position IN (1, 2)")
        with transaction.atomic(using=self.using):
            self.insert(of_another.format(position="position + 2"), "position IN (1, 2)")
        assert [fact.position for fact in read(using=self.using)] == [1, 2, 3, 4]

    def test_the_hole_of_a_closed_stream_takes_no_event(self, tmp_path: Path) -> None:
        say("venue/b", venue(), using=self.using)
        close_streams(["venue/a"], tmp_path / "old.jsonl", by(), key=None, using=self.using)
        assert [fact.position for fact in read(using=self.using)] == [3, 4]
        with pytest.raises(IntegrityError, match="position after the newest"), transaction.atomic(using=self.using):
            self.insert(COLUMNS.replace("position, stream", "2, 'venue/c'"), "position = 3")
        say("venue/c", venue(), using=self.using)

    def insert(self, what: str, where: str = "position = 1") -> None:
        """An event by hand, made from one that is there."""
        self.execute(f"INSERT INTO log_event ({COLUMNS}) SELECT {what} FROM log_event WHERE {where} ORDER BY position")

    def test_a_dropped_trigger_is_found_at_start_and_put_back(self) -> None:
        connection = connections[self.using]
        assert log_is_sealed(databases=[self.using]) == []
        on_table = "" if connection.vendor == "sqlite" else " ON log_event"
        self.execute(f"DROP TRIGGER log_event_no_delete{on_table}")
        (error,) = log_is_sealed(databases=[self.using])
        assert error.id == "log.E001"
        assert "log_event_no_delete" in error.msg
        with pytest.raises(SystemCheckError, match="would let events be changed"):
            call_command("check", databases=[self.using], tags=["database"])
        append_only.apply(connection)
        assert log_is_sealed(databases=[self.using]) == []
        with pytest.raises(IntegrityError), transaction.atomic(using=self.using):
            self.execute("DELETE FROM log_event")

    def test_after_a_migration_it_is_sealed_again(self, caplog: pytest.LogCaptureFixture) -> None:
        append_only.lift(connections[self.using])
        assert len(append_only.missing(connections[self.using])) == 4
        call_command("migrate", database=self.using, verbosity=0, skip_checks=True)
        assert append_only.missing(connections[self.using]) == []
        assert "log_event_no_delete" in caplog.text

    def execute(self, sql: str) -> Any:
        with connections[self.using].cursor() as cursor:
            cursor.execute(sql)


@pytest.mark.django_db
class TestOnSQLite(SealContract):
    using = "default"

    def test_a_trigger_that_was_made_harmless_is_found(self) -> None:
        self.execute("DROP TRIGGER log_event_no_update")
        self.execute("CREATE TRIGGER log_event_no_update BEFORE UPDATE ON log_event BEGIN SELECT 1; END")
        assert append_only.missing(connections["default"]) == ["log_event_no_update"]


@pytest.mark.postgres
@pytest.mark.django_db(databases=["postgres"])
class TestOnPostgreSQL(SealContract):
    using = "postgres"

    def test_a_trigger_that_was_switched_off_is_found(self) -> None:
        self.execute("ALTER TABLE log_event DISABLE TRIGGER log_event_no_update")
        assert append_only.missing(connections["postgres"]) == ["log_event_no_update"]

    def test_a_table_of_the_same_name_in_the_session_is_not_asked(self) -> None:
        self.execute("CREATE TEMPORARY TABLE log_event AS SELECT 98 AS position")
        far = COLUMNS.replace("position, stream", "99, 'venue/b'")
        with pytest.raises(IntegrityError, match="position after the newest"), transaction.atomic(using=self.using):
            self.execute(
                f"INSERT INTO public.log_event ({COLUMNS}) SELECT {far} FROM public.log_event WHERE position = 1"
            )

    def test_a_refusal_that_was_made_harmless_is_found(self) -> None:
        self.execute(
            "CREATE OR REPLACE FUNCTION log_event_refuse() RETURNS trigger LANGUAGE plpgsql AS"
            " $$ BEGIN RETURN NULL; END $$"
        )
        assert len(append_only.missing(connections["postgres"])) == 3  # the fourth has a refusal of its own
        append_only.apply(connections["postgres"])
        assert append_only.missing(connections["postgres"]) == []


@pytest.mark.django_db(transaction=True)
def test_another_program_without_our_settings_is_refused_too() -> None:
    """The triggers do not lean on the pragma that our own connections set."""
    say("venue/a", venue(), venue(name="The Lamp Room"))
    other = sqlite3.connect(str(connections["default"].settings_dict["NAME"]))
    try:
        assert other.execute("PRAGMA recursive_triggers").fetchone() == (0,)
        for way, sql in FORBIDDEN_ON["default"].items():
            with pytest.raises(sqlite3.IntegrityError, match="never changed or deleted"):
                other.execute(sql)
            assert other.execute("SELECT count(*), min(kind) FROM log_event").fetchone() == (2, "venue-added"), way
    finally:
        other.close()


@pytest.mark.django_db
def test_where_there_is_no_table_yet_nothing_is_missing(tmp_path: Path) -> None:
    connection = DatabaseWrapper(
        connections["default"].settings_dict | {"NAME": str(tmp_path / "empty.sqlite3")}, "empty"
    )
    try:
        assert append_only.missing(connection) == []
    finally:
        connection.close()
