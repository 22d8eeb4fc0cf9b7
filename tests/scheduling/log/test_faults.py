"""Killed writers, a full disk, a file that cannot be written: nothing acknowledged is lost, nothing is half there."""

from __future__ import annotations

import json
import os
import re
import resource
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from django.db import OperationalError, connection

from scheduling.log import models
from scheduling.log.integrity.verify import verify
from scheduling.log.rebuilding.rebuild import rebuild
from scheduling.log.store import read
from tests import services
from tests.scheduling.log.facts import a_run_on_a_machine, printed, say, venue

ROOT = Path(__file__).resolve().parents[3]


def killed(tmp_path: Path, url: str, rounds: int = 6, victim: str = "writers") -> dict[str, Any]:
    environment = os.environ | {"DAYROLL_HOME": str(tmp_path), "DAYROLL_DATABASE": url}
    command = [sys.executable, "-m", "tests.scheduling.log.kills", str(rounds), "1", victim]
    done = subprocess.run(command, cwd=ROOT, env=environment, check=True, stdout=subprocess.PIPE, text=True)
    return dict(json.loads(done.stdout))


def test_writers_killed_on_sqlite(tmp_path: Path) -> None:
    result = killed(tmp_path, "")
    assert result["broken"] == []
    assert result["acknowledged"] > 0


def test_writers_killed_on_postgresql(tmp_path: Path) -> None:
    with services.postgresql(settings=services.CAREFUL) as url:
        result = killed(tmp_path, url)
    assert result["broken"] == []
    assert result["acknowledged"] > 0


def test_postgresql_itself_killed(tmp_path: Path) -> None:
    with services.postgresql(settings=services.CAREFUL) as url:
        result = killed(tmp_path, url, rounds=2, victim="postgresql")
    assert result["broken"] == []
    assert result["acknowledged"] > 0


def pragma(text: str) -> Any:
    with connection.cursor() as cursor:
        cursor.execute(f"PRAGMA {text}")
        return cursor.fetchone()


def disk_is_full() -> Callable[[], object]:
    """The file may not grow by a single page."""
    (pages,) = pragma("page_count")
    pragma(f"max_page_count = {pages}")
    return lambda: pragma("max_page_count = 1000000")


def file_is_read_only() -> Callable[[], object]:
    pragma("query_only = ON")
    return lambda: pragma("query_only = OFF")


@pytest.mark.django_db(transaction=True)
@pytest.mark.parametrize(
    ("trouble", "problem"),
    [(disk_is_full, "database or disk is full"), (file_is_read_only, "attempt to write a readonly database")],
)
def test_what_cannot_be_written_is_said_and_nothing_is_bent(
    trouble: Callable[[], Callable[[], object]], problem: str
) -> None:
    a_run_on_a_machine(0, 1)
    before = list(read())
    mend = trouble()
    try:
        with pytest.raises(OperationalError, match=problem):
            for seq in range(1, 200):
                before += say("machine/left", printed(seq, 0, 10), printed(seq, 10, 20))
        assert list(read()) == before
        verify()
    finally:
        mend()
    assert not models.BrokenView.objects.exists()
    assert all(result.equal for result in rebuild(swap=False))
    before += say("venue/a", venue())
    assert list(read()) == before
    assert pragma("integrity_check") == ("ok",)


def troubled(home: Path, url: str, trouble: str, bytes_each: int) -> dict[str, Any]:
    """A writer in a process of its own that comes into trouble and is let out of it again."""
    environment = os.environ | {"DAYROLL_HOME": str(home), "DAYROLL_DATABASE": url}
    command = [sys.executable, "-m", "tests.scheduling.log.troubles", trouble, str(bytes_each)]
    done = subprocess.run(command, cwd=ROOT, env=environment, check=True, stdout=subprocess.PIPE, text=True)
    return dict(json.loads(done.stdout))


def require_unbent(result: dict[str, Any]) -> None:
    """What was acknowledged is there and nothing else, every link holds, and the views are what the log says."""
    assert result["there"] == result["acknowledged"]
    assert (result["read"], result["equal"], result["broken"]) == (True, True, 0)


def test_a_file_that_may_not_grow_on_sqlite() -> None:
    with home_that_others_may_enter() as home:
        result = troubled(home, "", "file", 2000)
    assert result["said"].startswith("OperationalError: ")
    assert result["acknowledged"] > 0
    require_unbent(result)


def test_a_folder_that_is_read_only_on_sqlite() -> None:
    with home_that_others_may_enter() as home:
        result = troubled(home, "", "folder", 2000)
    assert result["said"] == "OperationalError: attempt to write a readonly database"
    assert result["acknowledged"] == 0
    require_unbent(result)


def test_a_standby_of_postgresql(tmp_path: Path) -> None:
    with services.postgresql() as url:
        result = troubled(tmp_path, url, "standby", 2000)
    assert re.search(r"cannot execute (INSERT|COPY FROM) in a read-only transaction", result["said"])
    assert result["acknowledged"] == 0
    require_unbent(result)


def test_a_postgresql_whose_files_may_not_grow(tmp_path: Path) -> None:
    """A file of its write-ahead log takes 16 MiB, and must still fit."""
    with files_no_larger_than(18 << 20), services.postgresql() as url:
        result = troubled(tmp_path, url, "server", 1_000_000)
    assert "File too large" in result["said"]
    assert result["acknowledged"] > 0
    require_unbent(result)


@contextmanager
def files_no_larger_than(size: int) -> Iterator[None]:
    """For what is started within."""
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)


@contextmanager
def home_that_others_may_enter() -> Iterator[Path]:
    """A folder that stays within reach of a process that gave up the rights of the system's owner."""
    with tempfile.TemporaryDirectory(prefix="dayroll-trouble-", ignore_cleanup_errors=True) as name:
        yield Path(name)
