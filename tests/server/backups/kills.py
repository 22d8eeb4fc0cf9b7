"""A backup made, and put back, by processes that are killed (SIGKILL) before each call that brings something to the
disk or gives it its name, one call after the other; on SQLite, in the home that the environment names.

Says, as JSON, what was there after each kill: of backups whether there is one, and whether it is whole; of the database
how many events it has, and whether it is sound.

    python -m tests.server.backups.kills FOLDER
"""
# ruff: noqa: E402 (Django wants to be set up before models are imported)

from __future__ import annotations

import json
import os
import shutil
import signal
import sqlite3
import sys
from collections.abc import Callable
from contextlib import closing
from itertools import count
from pathlib import Path
from typing import Any

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "server.settings")

import django

django.setup()

from django.conf import settings
from django.core.management import call_command
from django.db import connections

from machines.errors import InputError
from server import wiring
from server.backups.manifest import check, read
from tests.scheduling.log.facts import say, venue

BEFORE, SINCE = 3, 2
TO_THE_DISK = ("fsync", "link", "rename", "replace")


def killed_at(number: int, act: Callable[[], object]) -> bool:
    """Do something in a process of its own that is killed before its so manieth call; whether it came so far."""
    connections.close_all()
    child = os.fork()
    if child == 0:
        left = count(number, -1)
        for name in TO_THE_DISK:
            setattr(os, name, _deadly(getattr(os, name), left))
        try:
            act()
        finally:
            os._exit(0)
    return os.WIFSIGNALED(os.waitpid(child, 0)[1])


def _deadly(call: Callable[..., Any], left: count[int]) -> Callable[..., Any]:
    def called(*args: Any, **options: Any) -> Any:
        if next(left) == 0:
            os.kill(os.getpid(), signal.SIGKILL)
        return call(*args, **options)

    return called


def quiet(*words: str) -> None:
    with open(os.devnull, "w") as nowhere:  # noqa: PTH123 (no path of ours)
        call_command(*words, stdout=nowhere, stderr=nowhere)


def kills_of_backups(folder: Path) -> list[str]:
    """What lay at the name after each."""
    found = []
    for number in count():
        to = folder / f"backup-{number}"
        was_killed = killed_at(number, lambda to=to: quiet("backup", str(to)))  # type: ignore[misc]
        found.append(_judged(to))
        if not was_killed:
            return found
    raise AssertionError


def _judged(to: Path) -> str:
    if not to.exists():
        return "none"
    try:
        check(to, read(to), lambda said: None)
    except InputError as error:
        return str(error)
    return "whole"


def kills_of_restores(backup: Path) -> list[tuple[int, str, int]]:
    """Events of the database after each, whether it is sound, and how many old ones were kept beside."""
    found, live = [], settings.HOME / "dayroll.sqlite3"
    connections.close_all()
    with closing(sqlite3.connect(live)) as connection:
        connection.execute("PRAGMA journal_mode = DELETE")
    shutil.copy(live, backup.parent / "live")
    for number in count():
        shutil.copy(backup.parent / "live", live)
        for kept in settings.HOME.glob("*.before_*"):
            kept.unlink()
        was_killed = killed_at(number, lambda: quiet("restore", str(backup), "--replace", live.name))
        with closing(sqlite3.connect(live)) as connection:
            (events,) = connection.execute("SELECT count(*) FROM log_event").fetchone()
            (sound,) = connection.execute("PRAGMA integrity_check").fetchone()
        found.append((events, sound, len(list(settings.HOME.glob(f"{live.name}.before_*")))))
        if not was_killed:
            return found
    raise AssertionError


def main() -> None:
    folder = Path(sys.argv[1])
    quiet("migrate")
    wiring.uploads().put([b"a picture"])
    for number in range(BEFORE):
        say(f"venue/{number}", venue())
    backups = kills_of_backups(folder)
    shutil.rmtree(settings.HOME / "uploads")
    (settings.HOME / "secret-key").write_text("another")
    for number in range(SINCE):
        say(f"venue/since-{number}", venue())
    restores = kills_of_restores(folder / f"backup-{len(backups) - 1}")
    print(json.dumps({"backups": backups, "restores": restores}))  # noqa: T201 (it is what is asked for)


if __name__ == "__main__":
    main()
