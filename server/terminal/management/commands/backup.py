"""`dayroll backup TO`."""

from __future__ import annotations

import os
import signal
from pathlib import Path
from typing import Any, NoReturn

from django.conf import settings
from django.core.management.base import CommandParser

from scheduling.sky.civil import instant_in_words
from server import wiring
from server.backups.making import make_backup
from server.backups.manifest import SECRET_KEY, UPLOADS, in_mb
from server.backups.postgresql import Programs
from server.terminal.patience import patiently
from server.terminal_command import TerminalCommand


class Command(TerminalCommand):
    help = (
        "Make a backup beside a running server: a new folder with the database as it is at one instant, uploaded "
        "files, the key of sessions, and what all of it is. Whoever has it can do what the server's own user can. Not "
        "in it: the key that signs the log, passwords in files or variables, and plates, which are drawn again."
    )
    example = "backup /backups/2027-03-20"
    requires_system_checks = ()

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("to", type=Path, help="a new folder, in one that is there")
        parser.add_argument("--plates", action="store_true", help="with the plates, too")
        parser.add_argument("--programs", type=Path, metavar="FOLDER", help="where PostgreSQL's pg_dump lies")

    def handle(self, *args: Any, **options: Any) -> None:
        signal.signal(signal.SIGTERM, _leave)  # so that nothing is left of what was begun
        made = make_backup(
            options["to"],
            made_at=wiring.really_now(),
            programs=Programs(options["programs"]),
            plates=options["plates"],
            tell=patiently(self.stderr.write),
        )
        for name in made.damaged:
            self.stderr.write(f"{UPLOADS}: {name} no longer holds what was uploaded, and is not in the backup.")
        manifest = made.manifest
        took = in_mb(sum(file.octets for file in manifest.files))
        self.stdout.write(
            f"{options['to']}: {manifest.log.events} events up to position {manifest.log.through}, as of"
            f" {instant_in_words(manifest.made_at)}; {len(manifest.below(UPLOADS))} uploaded files; {took} MB."
        )
        if manifest.file(SECRET_KEY) is None or os.environ.get("DAYROLL_SECRET_KEY"):
            self.stdout.write("The key of sessions stands in DAYROLL_SECRET_KEY: keep that apart.")
        self.stdout.write(f"The key that signs the log is not in it: keep a copy of {settings.LOG_KEY} apart.")


def _leave(signal_number: int, frame: Any) -> NoReturn:
    raise SystemExit(1)
