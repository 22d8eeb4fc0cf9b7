"""`dayroll redraw`."""

from __future__ import annotations

from typing import Any

from django.core.management.base import CommandError

from scheduling.background.redraw_plates import redraw_lost
from server import wiring
from server.terminal_command import TerminalCommand


class Command(TerminalCommand):
    help = (
        "Draw anew every plate that is not on the disk, also of what is printed, so that it can be proved again: after "
        "a log was imported on another server, which brings no plates along. What is still to be printed the server "
        "draws by itself."
    )
    example = "redraw"

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            drawn = redraw_lost(wiring.plates(), wiring.uploads(), printed_too=True, progress=self._tell)
        except ExceptionGroup as failures:
            for one in failures.exceptions:
                self.stderr.write(f"{one}")
            raise CommandError(failures.message) from None
        if drawn is None:
            raise CommandError("somebody else is drawing lost plates anew now; ask again when they are done")
        self.stdout.write(f"Plates drawn anew: {drawn}." if drawn else "Every plate is there.")

    def _tell(self, done: int, of: int) -> None:
        self.stderr.write(f"drawn {done} of {of} plates")
