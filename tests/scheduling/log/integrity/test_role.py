"""On PostgreSQL the server can run as a role that has no right to change the past, with or without the triggers."""

from __future__ import annotations

import base64
import hashlib
import hmac
import re
from io import StringIO
from pathlib import Path

import pytest
from django.core.management import CommandError, call_command
from django.db import IntegrityError, ProgrammingError, connections, transaction

from machines.chance import SYSTEM
from machines.errors import InputError
from scheduling.log import models
from scheduling.log.events.visits import ServiceWindowCalledOff
from scheduling.log.integrity import append_only
from scheduling.log.integrity.checks import log_is_sealed
from scheduling.log.integrity.role import prepare
from scheduling.log.integrity.verify import verify
from scheduling.log.rebuilding.rebuild import rebuild
from scheduling.log.remarks import blot_out, keep, text_of
from scheduling.log.store import last_position, read
from tests.scheduling.log.facts import a_run_on_a_machine, by, printed, say, service_weekly

ROLE = "dayroll_server_in_a_test"
FORBIDDEN = {
    "UPDATE log_event SET actor = 'account-2'": "permission denied for table log_event",
    "DELETE FROM log_event": "permission denied for table log_event",
    "TRUNCATE log_event": "permission denied for table log_event",
    "MERGE INTO log_event USING log_venue ON true WHEN MATCHED THEN DELETE": "permission denied for table log_event",
    "ALTER TABLE log_event DISABLE TRIGGER ALL": "must be owner of table log_event",
    "DROP TRIGGER log_event_no_delete ON log_event": "must be owner of relation log_event",
    "DROP TABLE log_event": "must be owner of table log_event",
    "CREATE OR REPLACE FUNCTION log_event_refuse() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN RETURN OLD; END $$": (
        "permission denied for schema public|must be owner of function log_event_refuse"
    ),
    "SET session_replication_role = replica": "permission denied to set parameter",
    "UPDATE log_remark SET text = 'another'": "permission denied for table log_remark",
    "DELETE FROM log_remark": "permission denied for table log_remark",
    "TRUNCATE log_remark": "permission denied for table log_remark",
    "DELETE FROM django_migrations": "permission denied for table django_migrations",
}


def execute(sql: str) -> None:
    with connections["postgres"].cursor() as cursor:
        cursor.execute(sql)


@pytest.fixture
def as_server() -> None:
    """A log with some events; from here on the connection is the server's role."""
    a_run_on_a_machine(0, 1, using="postgres")
    prepare(connections["postgres"], ROLE)
    execute(f"SET LOCAL ROLE {ROLE}")


@pytest.mark.postgres
@pytest.mark.django_db(databases=["postgres"])
class TestServersRole:
    def test_it_does_all_that_the_server_does(self, as_server: None) -> None:
        say("machine/left", printed(1, 0, 50), using="postgres")
        assert models.Run.objects.using("postgres").get().printed == 50
        models.Segment.objects.using("postgres").filter(number=1).delete()
        assert not all(result.equal for result in rebuild(using="postgres"))
        assert all(result.equal for result in rebuild(using="postgres"))
        assert sum(head.version for head in verify(using="postgres").values()) == last_position(using="postgres")
        assert log_is_sealed(databases=["postgres"]) == []

    @pytest.mark.parametrize("without_triggers", [False, True])
    def test_it_cannot_change_the_past(self, as_server: None, without_triggers: bool) -> None:
        if without_triggers:
            execute("RESET ROLE")
            append_only.lift(connections["postgres"])
            execute("CREATE TRIGGER log_event_no_delete BEFORE DELETE ON log_event EXECUTE FUNCTION log_event_refuse()")
            execute(f"SET LOCAL ROLE {ROLE}")
        before = list(read(using="postgres"))
        for sql, problem in FORBIDDEN.items():
            with pytest.raises(ProgrammingError, match=problem), transaction.atomic(using="postgres"):
                execute(sql)
        assert list(read(using="postgres")) == before

    def test_it_keeps_what_people_write_and_cannot_blot_it_out(self, as_server: None) -> None:
        remark = keep("Robin is ill", SYSTEM, using="postgres")
        said = (service_weekly(), ServiceWindowCalledOff(remark=remark))
        (_, fact) = say("service/rounds", *said, using="postgres")
        assert text_of(remark, using="postgres") == "Robin is ill"
        with pytest.raises(InputError, match=f"{ROLE} may only add to what people wrote"):
            blot_out(fact.position, by(), using="postgres")
        execute("RESET ROLE")
        blot_out(fact.position, by(), using="postgres")
        assert text_of(remark, using="postgres") is None

    def test_it_cannot_use_up_the_positions(self, as_server: None) -> None:
        said = "position, stream, version, kind, schema, data, said_at, happened_at, actor, previous_digest, digest"
        far = said.replace("position, stream", f"{2**63 - 1}, 'venue/far'")
        with pytest.raises(IntegrityError, match="position after the newest"), transaction.atomic(using="postgres"):
            execute(f"INSERT INTO log_event ({said}) SELECT {far} FROM log_event WHERE position = 1")
        say("machine/left", printed(1, 0, 50), using="postgres")

    def test_it_may_use_what_later_migrations_make(self, as_server: None) -> None:
        execute("RESET ROLE")
        execute("CREATE TABLE made_later (id bigint GENERATED ALWAYS AS IDENTITY, name text)")
        execute(f"SET LOCAL ROLE {ROLE}")
        execute("INSERT INTO made_later (name) VALUES ('a')")
        execute("UPDATE made_later SET name = 'b'")
        with connections["postgres"].cursor() as cursor:
            cursor.execute("SELECT current_user, id, name FROM made_later")
            assert cursor.fetchall() == [(ROLE, 1, "b")]

    def test_again_changes_nothing(self) -> None:
        first = prepare(connections["postgres"], ROLE)
        again = prepare(connections["postgres"], ROLE)
        assert again == first[1:]
        assert first[0].startswith(f"CREATE ROLE {ROLE} LOGIN NOSUPERUSER")

    def test_a_role_with_other_powers_is_refused(self) -> None:
        execute("CREATE ROLE almighty SUPERUSER")
        execute("CREATE ROLE keeper")
        execute("CREATE ROLE helper")
        execute("GRANT UPDATE ON log_event TO keeper")
        execute("GRANT keeper TO helper")
        with pytest.raises(InputError, match="almighty is a member of the owner of the events"):
            prepare(connections["postgres"], "almighty")
        with pytest.raises(InputError, match="helper still has on the events the right to UPDATE"):
            prepare(connections["postgres"], "helper")
        execute("CREATE ROLE rewriter")
        execute("GRANT UPDATE ON log_remark TO rewriter")
        execute("GRANT rewriter TO helper")
        execute("REVOKE keeper FROM helper")
        with pytest.raises(InputError, match="helper still has on what people wrote the right to UPDATE"):
            prepare(connections["postgres"], "helper")
        with pytest.raises(InputError, match="is no plain name"):
            prepare(connections["postgres"], "x; DROP TABLE log_event")

    def test_it_signs_in_with_its_password_which_nobody_keeps(self) -> None:
        prepare(connections["postgres"], ROLE, "open: 'sesame' \\")
        with connections["postgres"].cursor() as cursor:
            cursor.execute("SELECT rolpassword FROM pg_authid WHERE rolname = %s", [ROLE])
            (kept,) = cursor.fetchone()
        assert scram_fits(kept, "open: 'sesame' \\")
        assert not scram_fits(kept, "open: sesame")
        prepare(connections["postgres"], ROLE)
        with connections["postgres"].cursor() as cursor:
            cursor.execute("SELECT rolpassword FROM pg_authid WHERE rolname = %s", [ROLE])
            assert cursor.fetchone() == (kept,)
        with pytest.raises(InputError, match="it is empty"):
            prepare(connections["postgres"], ROLE, "")


def scram_fits(kept: str, password: str) -> bool:
    """Whether a stored SCRAM-SHA-256 secret is that of a password: RFC 5802 section 3 and RFC 7677, in the form of
    PostgreSQL's documentation of pg_authid: ``SCRAM-SHA-256$<iterations>:<salt>$<StoredKey>:<ServerKey>``."""
    match = re.fullmatch(r"SCRAM-SHA-256\$(\d+):([^$]+)\$([^:]+):(.+)", kept)
    assert match is not None
    salted = hashlib.pbkdf2_hmac("sha256", password.encode(), base64.b64decode(match[2]), int(match[1]))
    client_key = hmac.digest(salted, b"Client Key", "sha256")
    return hashlib.sha256(client_key).digest() == base64.b64decode(match[3])


@pytest.mark.django_db
def test_the_command_says_what_sqlite_cannot() -> None:
    with pytest.raises(CommandError, match="SQLite has no roles"):
        call_command("log", "role", "dayroll_server", stdout=StringIO())


@pytest.mark.postgres
@pytest.mark.django_db(databases=["default", "postgres"])
def test_the_command_shows_what_it_did(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("server.terminal.management.commands.log.connections", {"default": connections["postgres"]})
    out = StringIO()
    call_command("log", "role", ROLE, stdout=out)
    lines = out.getvalue().splitlines()
    assert all(re.match(r"(CREATE ROLE|GRANT|REVOKE|ALTER DEFAULT PRIVILEGES) .*;$", line) for line in lines[:-1])
    assert "DAYROLL_DATABASE" in lines[-1]
    assert "password" in lines[-1]


@pytest.mark.postgres
@pytest.mark.django_db(databases=["default", "postgres"])
def test_the_command_takes_the_password_from_a_file(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr("server.terminal.management.commands.log.connections", {"default": connections["postgres"]})
    file = tmp_path / "password"
    file.write_text("opensesame\n")
    out = StringIO()
    call_command("log", "role", ROLE, "--password-file", str(file), stdout=out)
    assert "opensesame" not in out.getvalue()
    with connections["postgres"].cursor() as cursor:
        cursor.execute("SELECT rolpassword FROM pg_authid WHERE rolname = %s", [ROLE])
        assert scram_fits(cursor.fetchone()[0], "opensesame")


@pytest.mark.django_db
@pytest.mark.parametrize("text", ["", "\n", "open\nsesame\n"])
def test_a_file_without_one_password_is_refused(tmp_path: Path, text: str) -> None:
    file = tmp_path / "password"
    file.write_text(text)
    with pytest.raises(CommandError, match="must hold one line, the password"):
        call_command("log", "role", ROLE, "--password-file", str(file), stdout=StringIO())


@pytest.mark.postgres
@pytest.mark.django_db(databases=["default", "postgres"])
def test_the_command_takes_the_password_from_the_environment_and_never_shows_it(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("server.terminal.management.commands.log.connections", {"default": connections["postgres"]})
    with pytest.raises(CommandError, match="SECRET_OF_A_TEST is not in the environment"):
        call_command("log", "role", ROLE, "--password-variable", "SECRET_OF_A_TEST", stdout=StringIO())
    monkeypatch.setenv("SECRET_OF_A_TEST", "opensesame")
    out = StringIO()
    call_command("log", "role", ROLE, "--password-variable", "SECRET_OF_A_TEST", stdout=out)
    assert "opensesame" not in out.getvalue()
    assert "password" not in out.getvalue().splitlines()[-1]
