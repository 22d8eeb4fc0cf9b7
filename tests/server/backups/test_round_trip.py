"""A backup that is made while a board reports is put back in an empty home, byte for byte; the board goes on."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest

from scheduling.rendering.upload_store import UploadStore
from tests import services
from tests.server.living import House, Reporter, database_of, enrolled, furnish

PLATES_LEFT_OUT = {"database", "manifest.json", "secret-key", "uploads"}


@pytest.fixture(params=["sqlite", pytest.param("postgresql", marks=pytest.mark.postgres)])
def houses(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[tuple[House, House]]:
    """Where a server lives, and where nothing is."""
    with ExitStack() as stack:
        databases = ["", ""]
        if request.param == "postgresql":
            url, worker = request.getfixturevalue("postgres_url"), os.getpid()
            databases = [stack.enter_context(database_of(url, f"{name}_{worker}")) for name in ("from", "to")]
        found = [House(tmp_path / name, database) for name, database in zip(("from", "to"), databases, strict=True)]
        for house in found:
            house.folder.mkdir()
        yield found[0], found[1]


def programs(house: House) -> list[str]:
    return [f"--programs={services.postgresql_programs()}"] if house.database else []


def test_what_is_backed_up_while_a_board_reports_is_put_back_and_the_board_goes_on(
    houses: tuple[House, House], tmp_path: Path
) -> None:
    old, new = houses
    backup = tmp_path / "backup"
    with old.served():
        board = enrolled(old, furnish(old))
        upload(old)
        with board.reporting():
            board.wait_for(20)
            old.command("backup", str(backup), *programs(old))
            board.wait_for(20)
        require_is_left_alone(old, backup)
    require_keeps_to_itself(backup)
    if new.database:
        require_says_what_postgresql_lacks(old, new, backup)
    told = new.command("restore", str(backup), *programs(new))
    assert "every link holds" in told
    assert "Views: all are what the log says." in told
    events = new.events()
    assert events == old.events()[: len(events)]
    assert new.told() == list(range(1, len(new.told()) + 1))
    assert 20 <= len(new.told()) < len(old.told())
    assert [file.read_bytes() for file in (new.home / "uploads").rglob("*") if file.is_file()] == [b"a picture"]
    assert (new.home / "secret-key").read_bytes() == (old.home / "secret-key").read_bytes()
    require_goes_on(new, old, board)


def upload(house: House) -> None:
    """Two files, one of which the disk damages."""
    uploads = UploadStore(house.home / "uploads")
    uploads.put([b"a picture"])
    damaged = uploads.put([b"worn"]).digest
    (house.home / "uploads" / damaged[:2] / damaged).write_bytes(b"wrong")


def require_keeps_to_itself(backup: Path) -> None:
    """Nobody else can read it, nothing is left beside it, and it has what it should and no more."""
    assert {path.name for path in backup.iterdir()} == PLATES_LEFT_OUT
    assert list(backup.parent.glob("*.part")) == []
    assert backup.stat().st_mode & 0o777 == 0o700
    assert {path.stat().st_mode & 0o777 for path in backup.rglob("*") if path.is_file()} == {0o600}
    said = json.loads((backup / "manifest.json").read_text())
    named = {file["name"] for file in said["files"]}
    assert named | {"manifest.json"} == {
        path.relative_to(backup).as_posix() for path in backup.rglob("*") if path.is_file()
    }


def require_is_left_alone(old: House, backup: Path) -> None:
    """While a server is at it."""
    name = old.database.rpartition("/")[2] or "dayroll.sqlite3"
    refused = old.refused("restore", str(backup), f"--replace={name}", *programs(old))
    assert ("others are connected to it" if old.database else "s ago that it is at it") in refused


def require_says_what_postgresql_lacks(old: House, new: House, backup: Path) -> None:
    """A program that is not there; a copy that breaks off, of which nothing stays."""
    nowhere = f"--programs={backup}"
    said = f"pg_dump: it is not in {backup}; install PostgreSQL's client programs, such as postgresql-client-18"
    assert said in old.refused("backup", str(backup.parent / "another"), nowhere)
    broken = backup.parent / "broken"
    shutil.copytree(backup, broken)
    content = (broken / "database").read_bytes()
    content = content[: len(content) * 3 // 4]
    (broken / "database").write_bytes(content)
    data = json.loads((broken / "manifest.json").read_text())
    data["files"][0] |= {"octets": len(content), "sha256": hashlib.sha256(content).hexdigest()}
    (broken / "manifest.json").write_text(json.dumps(data))
    assert "pg_restore ended with 1 and changed nothing" in new.refused("restore", str(broken), *programs(new))
    assert new.rows("SELECT count(*) FROM pg_tables WHERE schemaname = 'public'") == [(0,)]


def require_goes_on(new: House, old: House, board: Reporter) -> None:
    """The board calls where the server was; what that one had been told, this one hears again, once."""
    new.port = old.port
    with new.served():
        with board.reporting():
            board.wait_for(10)
        last = board.tell_all()
    assert new.told() == list(range(1, last + 1))
    assert last > len(old.told())
    assert "every link holds" in new.command("log", "verify")
