"""What is no backup, is damaged or does not fit is refused before anything is touched, and so is whatever is in use."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from django.db import connections

from machines.errors import InputError
from scheduling.log.beside import keep_listening
from scheduling.log.integrity.signed_head import Statement
from server import wiring
from server.backups import postgresql
from server.backups.files import copy_file
from server.backups.manifest import DATABASE, FORMAT, NAME, Manifest, check, read
from server.backups.putting_back import require_fits, require_may_replace
from server.backups.running import require_nobody
from tests.scheduling.log.facts import say, venue

MADE = datetime(2027, 3, 20, 12, 0, tzinfo=UTC)


def manifest(*files: Any, **changed: Any) -> Manifest:
    log = Statement(made_at=MADE, events=1, heads={}, through=1, order="0" * 64)
    said: dict[str, Any] = {
        "format": FORMAT, "program": "9", "made_at": MADE, "engine": "sqlite", "schema": "", "migrations": (),
        "log": log, "files": files,
    }  # fmt: skip
    return Manifest(**said | changed)


@pytest.fixture
def backup(tmp_path: Path) -> Path:
    """One of a database that is no database."""
    folder, source = tmp_path / "backup", tmp_path / "source"
    folder.mkdir()
    source.write_bytes(b"a database")
    made = manifest(copy_file(source, folder, DATABASE))
    (folder / NAME).write_text(made.text())
    check(folder, read(folder), lambda said: None)
    assert read(folder) == made
    return folder


def said(backup: Path, **changed: Any) -> None:
    data = json.loads((backup / NAME).read_text())
    (backup / NAME).write_text(json.dumps(data | changed))


def test_a_file_that_was_changed_or_is_missing_is_named(backup: Path) -> None:
    (backup / DATABASE).write_bytes(b"a databasf")
    with pytest.raises(InputError, match=r"database: it is not what was written"):
        check(backup, read(backup), lambda said: None)
    (backup / DATABASE).unlink()
    with pytest.raises(InputError, match=r"database: it is missing"):
        check(backup, read(backup), lambda said: None)


@pytest.mark.parametrize(
    ("changed", "wrong"),
    [
        ({"format": "dayroll-backup/2"}, r"not of the form dayroll-backup/1"),
        ({"engine": "paper"}, r"engine.*'paper'"),
        ({"files": []}, r"it names no database"),
        ({"files": [{"name": "../key", "sha256": "0", "octets": 1}]}, r"'\.\./key' lies outside of the backup"),
        ({"files": [{"name": "/etc/key", "sha256": "0", "octets": 1}]}, r"'/etc/key' lies outside of the backup"),
    ],
)
def test_a_manifest_that_says_something_else_is_refused(backup: Path, changed: dict[str, Any], wrong: str) -> None:
    said(backup, **changed)
    with pytest.raises(InputError, match=wrong):
        read(backup)


def test_a_folder_without_a_manifest_is_no_backup(backup: Path) -> None:
    (backup / NAME).write_text('{"form')
    with pytest.raises(InputError, match=r"it cannot be read"):
        read(backup)
    (backup / NAME).unlink()
    with pytest.raises(InputError, match=r"no backup: it has no manifest\.json"):
        read(backup)


@pytest.mark.django_db
def test_one_of_the_other_database_or_of_a_newer_program_does_not_fit() -> None:
    require_fits(manifest(migrations=("log.0001_initial",)))
    with pytest.raises(InputError, match=r"the backup is of PostgreSQL, and this server has SQLite"):
        require_fits(manifest(engine="postgresql"))
    with pytest.raises(InputError, match=r"by version 9, which has changes of tables unknown here: log\.9999_later"):
        require_fits(manifest(migrations=("log.0001_initial", "log.9999_later")))


@pytest.mark.django_db
def test_a_log_is_replaced_only_where_its_database_was_named() -> None:
    name = Path(connections["default"].settings_dict["NAME"]).name
    require_may_replace(None)
    say("venue/a", venue())
    with pytest.raises(InputError, match=rf"{name} holds a log of 1 events already; .*--replace {name}"):
        require_may_replace(None)
    with pytest.raises(InputError, match=rf"the database is {name}, and not another"):
        require_may_replace("another")
    require_may_replace(name)


@pytest.mark.django_db
def test_nothing_is_replaced_until_no_server_has_said_for_a_while_that_it_is_there() -> None:
    require_nobody()
    now = wiring.really_now()
    keep_listening(now, timedelta(minutes=1))
    with pytest.raises(InputError, match=r"a server said \d s ago that it is at it; stop it .* wait for 40 s"):
        require_nobody()
    keep_listening(now - timedelta(seconds=41), timedelta(minutes=1))
    require_nobody()


def test_a_password_stands_in_a_file_that_is_gone_afterwards(monkeypatch: pytest.MonkeyPatch) -> None:
    """Escaped as PostgreSQL's documentation of libpq says of the password file (section 34.16 of version 17)."""
    for name, value in {
        "NAME": "roll", "USER": "dayroll_server", "PASSWORD": r"a:b\c", "HOST": "one,two", "PORT": "",
        "OPTIONS": {"sslmode": "require"},
    }.items():  # fmt: skip
        monkeypatch.setitem(connections["default"].settings_dict, name, value)
    monkeypatch.setenv("PGPASSWORD", "another")
    with postgresql._told_where() as environment:
        service, secret = Path(environment["PGSERVICEFILE"]), Path(environment["PGPASSFILE"])
        assert secret.read_text() == "*:*:*:*:a\\:b\\\\c\n"
        assert secret.stat().st_mode & 0o777 == 0o600
        assert service.parent.stat().st_mode & 0o777 == 0o700
        assert service.read_text().splitlines() == [
            "[dayroll]", "dbname=roll", "user=dayroll_server", "host=one,two", "sslmode=require",
        ]  # fmt: skip
        assert "PGPASSWORD" not in environment
        assert not any("a:b" in value for value in environment.values())
    assert not service.exists() and not secret.exists()
