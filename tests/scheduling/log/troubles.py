"""A writer that runs out of room, or finds that it may not write, for real: a process of its own, so that the system's
limits hold for it and for nobody else.

Writes until it cannot, says what it was told, then has the trouble taken away and looks at what is there, as JSON on
standard output.
"""
# ruff: noqa: E402 (Django wants to be set up before models are imported)

from __future__ import annotations

import json
import os
import resource
import secrets
import stat
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "server.settings")

import django
from django.conf import settings
from django.core.management import call_command
from django.db import DatabaseError, connection

django.setup()

from scheduling.log.integrity.verify import verify
from scheduling.log.models import BrokenView
from scheduling.log.rebuilding.rebuild import rebuild
from scheduling.log.store import last_position, read
from tests.scheduling.log.facts import a_run_on_a_machine, opening, printed, say

NOBODY = 65534
ROUNDS = 400

Mend = Callable[[], object]


def file_may_not_grow() -> Mend:
    """No file of this process may become larger than the database is, and a little."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    execute("PRAGMA wal_checkpoint(TRUNCATE)")
    size = (Path(settings.HOME) / "dayroll.sqlite3").stat().st_size
    resource.setrlimit(resource.RLIMIT_FSIZE, (size + 200_000, hard))
    return lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


def folder_is_read_only() -> Mend:
    """Neither the folder nor a file in it may be written; as somebody who is not the system's owner."""
    home = Path(settings.HOME)
    connection.close()
    modes = {path: stat.S_IMODE(path.stat().st_mode) for path in (home, *home.rglob("*"))}
    for path in modes:
        path.chmod(0o500 if path.is_dir() else 0o400)

    def mend() -> None:
        connection.close()
        for path, mode in modes.items():
            if path.exists():
                path.chmod(mode)

    return mend


def transactions_are_read_only() -> Mend:
    """As after a switch to a standby server."""
    execute("SET default_transaction_read_only = on")
    return lambda: execute("SET default_transaction_read_only = off")


def server_is_limited() -> Mend:
    """The server was started with a limit on the size of its files, which stays."""
    return lambda: None


def execute(sql: str) -> None:
    """Outside of any transaction."""
    with connection.cursor() as cursor:
        cursor.execute(sql)


TROUBLES = {
    "file": file_may_not_grow,
    "folder": folder_is_read_only,
    "standby": transactions_are_read_only,
    "server": server_is_limited,
}


def write_until_it_cannot(bytes_each: int) -> tuple[int, str]:
    """How many events were acknowledged, and what was said in the end."""
    acknowledged = 0
    try:
        for seq in range(1, ROUNDS):
            acknowledged += len(say("machine/left", printed(seq, 0, 10), printed(seq, 10, 20)))
            anchor = {"ballast": secrets.token_hex(bytes_each // 2)}
            acknowledged += len(say(f"opening/one-{seq}", opening(anchor=anchor), opening(anchor=anchor)))
    except DatabaseError as error:
        return acknowledged, f"{type(error).__name__}: {error}"
    return acknowledged, ""


def as_nobody() -> None:
    """Give up the rights of the system's owner, whom no file refuses."""
    if os.geteuid() == 0:
        for path in (Path(settings.HOME), *Path(settings.HOME).rglob("*")):
            os.chown(path, NOBODY, NOBODY)
        os.setgroups([])
        os.setgid(NOBODY)
        os.setuid(NOBODY)


def main(trouble: str, bytes_each: int) -> dict[str, Any]:
    """Everything, and what came of it."""
    call_command("migrate", verbosity=0, skip_checks=True)
    a_run_on_a_machine(0, 1)
    before = last_position()
    if trouble == "folder":
        connection.close()
        as_nobody()
    mend = TROUBLES[trouble]()
    acknowledged, said = write_until_it_cannot(bytes_each)
    mend()
    there = last_position() - before
    verify()
    equal = all(result.equal for result in rebuild(swap=False))
    say("machine/left", printed(ROUNDS, 20, 30))
    return {
        "acknowledged": acknowledged,
        "there": there,
        "said": said,
        "read": len(list(read())) == last_position(),
        "equal": equal,
        "broken": BrokenView.objects.count(),
    }


if __name__ == "__main__":
    json.dump(main(sys.argv[1], int(sys.argv[2])), sys.stdout)
