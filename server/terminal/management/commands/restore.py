"""`dayroll restore FROM`."""

from __future__ import annotations

import signal
from pathlib import Path
from typing import Any, NoReturn

from django.core.management.base import CommandError, CommandParser

from scheduling.log.integrity.verify import BrokenLink
from scheduling.sky.civil import instant_in_words
from server import wiring
from server.backups import manifest as manifests
from server.backups.manifest import PLATES, Manifest
from server.backups.postgresql import Programs
from server.backups.putting_back import NotAsItWas, PutBack, put_back, require_fits, require_may_replace
from server.terminal.patience import patiently
from server.terminal_command import TerminalCommand

NEXT = """\
Next: start the server, with all its parts. Nodes need no hand: each says again what its journal holds, and goes on.
What was planned, decided or told since the backup is gone with it: look at runs, openings and service windows, at
notices, and at each machine's paper. People may be told once more of what they were told since."""


class Command(TerminalCommand):
    help = (
        "Put a backup back where no server runs: checked first, then exchanged in one step, then verified. What was "
        "there before is kept beside."
    )
    example = "restore /backups/2027-03-20"
    requires_system_checks = ()

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("source", type=Path, metavar="from", help="a folder that `dayroll backup` made")
        parser.add_argument("--check-only", action="store_true", help="only see that it is whole and fits this server")
        parser.add_argument("--replace", metavar="NAME", help="the database, where it holds a log that is to make room")
        parser.add_argument("--programs", type=Path, metavar="FOLDER", help="where PostgreSQL's own lie")

    def handle(self, *args: Any, **options: Any) -> None:
        signal.signal(signal.SIGTERM, _leave)  # so that nothing is left of what was begun
        source, tell, programs = options["source"], patiently(self.stderr.write), Programs(options["programs"])
        manifest = manifests.read(source)
        require_fits(manifest)
        manifests.check(source, manifest, tell)
        if options["check_only"]:
            self.stdout.write(f"It is whole, and fits this server: {_in_words(manifest)}.")
            return
        require_may_replace(options["replace"])
        try:
            done = put_back(source, manifest, at=wiring.really_now(), programs=programs, tell=tell)
        except (BrokenLink, NotAsItWas) as error:
            raise CommandError(f"It was put back, but is not what was backed up: {error}") from error
        self.stdout.write(f"Put back: {_in_words(manifest)}; every link holds.")
        self._tell_views(done)
        for kept in filter(None, (done.kept, done.key_kept)):
            self.stdout.write(f"What was there before is kept: {kept}. Remove it once all is well.")
        self.stdout.write(NEXT)
        if manifest.engine == "postgresql":
            self.stdout.write("Before that, give the server's role its rights anew: dayroll log role NAME")
        if not manifest.below(PLATES):
            self.stdout.write("Plates that are missing are drawn by the server; printed ones by `dayroll redraw`.")

    def _tell_views(self, done: PutBack) -> None:
        failed = [f"{one.view}: {one.failure}" for one in done.views if one.failure is not None]
        folded = [one.view for one in done.views if one.failure is None and not one.equal]
        if failed:
            raise CommandError(f"It was put back, but these views cannot be folded: {'; '.join(failed)}")
        anew = f"folded anew: {', '.join(folded)}" if folded else "all are what the log says"
        self.stdout.write(f"Views: {anew}.")


def _in_words(manifest: Manifest) -> str:
    return (
        f"{manifest.log.events} events up to position {manifest.log.through}, as of"
        f" {instant_in_words(manifest.made_at)}, by version {manifest.program}"
    )


def _leave(signal_number: int, frame: Any) -> NoReturn:
    raise SystemExit(1)
