"""`dayroll tidy`."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

from django.core.management.base import CommandError, CommandParser

from scheduling.background.tidy_plates import LEAST_AGE, tidy, untidy
from server import wiring
from server.terminal_command import TerminalCommand

USUAL_DAYS = 180
MB = 1_000_000


class Command(TerminalCommand):
    help = (
        "Remove plates of runs that are over, each once it was drawn again with the same dots. Nothing goes that a "
        "board may still ask for. Where ink is reckoned of what was printed from them, it is estimated from then on, "
        "and a proof of that paper has to wait until `dayroll redraw` has drawn them."
    )
    example = "tidy --days 180 --preview"

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument(
            "--days",
            type=int,
            default=USUAL_DAYS,
            metavar="N",
            help=f"those whose last column was due so long ago (default: {USUAL_DAYS}; at least {LEAST_AGE.days})",
        )
        parser.add_argument(
            "--most-mb", type=int, metavar="N", help="younger ones, too, while all plates take more megabytes than this"
        )
        parser.add_argument("--preview", action="store_true", help="only show what it would do")

    def handle(self, *args: Any, **options: Any) -> None:
        days, most_mb = options["days"], options["most_mb"]
        if not LEAST_AGE.days <= days <= 36_500:
            raise CommandError(f"--days: {days}: give {LEAST_AGE.days} to 36500")
        if most_mb is not None and most_mb < 0:
            raise CommandError(f"--most-mb: {most_mb}: give 0 or more")
        at_most = None if most_mb is None else most_mb * MB
        chosen = untidy(wiring.plates(), wiring.now(), timedelta(days=days), at_most)
        if options["preview"] or not chosen:
            for one in chosen:
                self.stdout.write(f"{one.digest}  run {one.run}, {one.octets / MB:.3f} MB")
            took = sum(one.octets for one in chosen) / MB
            self.stdout.write(f"Plates that would go: {len(chosen)}, {took:.3f} MB." if chosen else "Nothing is to go.")
            return
        try:
            removed = tidy(chosen, wiring.plates(), wiring.uploads(), self._tell)
        except ExceptionGroup as failures:
            for failure in failures.exceptions:
                self.stderr.write(f"{failure}")
            raise CommandError(failures.message) from None
        self.stdout.write(f"Plates removed: {removed}.")

    def _tell(self, done: int, of: int) -> None:
        self.stderr.write(f"looked at {done} of {of} plates")
