"""`dayroll log`: verify the log, fold the views again, and put the triggers back."""

from __future__ import annotations

import time
from argparse import ArgumentParser
from collections.abc import Callable
from typing import Any

from django.core.management.base import BaseCommand, CommandError
from django.db import connections

from scheduling.log import seal
from scheduling.log.folds import VIEWS
from scheduling.log.rebuild import Rebuilt, rebuild
from scheduling.log.store import last_position
from scheduling.log.verify import BrokenLink, verify

PROGRESS_EVERY_S = 1.0


class Command(BaseCommand):
    help = "Verify the log, fold the views again from it, or put back the triggers that guard it."
    requires_system_checks = ()  # it is the remedy for one of them

    def add_arguments(self, parser: ArgumentParser) -> None:
        actions = parser.add_subparsers(dest="action", required=True)
        actions.add_parser("verify", help="walk every stream's chain of digests and name the first broken link")
        again = actions.add_parser("rebuild", help="fold the views again beside the live ones, compare and put right")
        again.add_argument("--compare-only", action="store_true", help="change nothing")
        again.add_argument(
            "--view",
            action="append",
            choices=[view.name for view in VIEWS],
            help="only this view; may be given again",
        )
        actions.add_parser("seal", help="put back the triggers that refuse to change an event")

    def handle(self, *args: Any, action: str, **options: Any) -> None:
        ACTIONS[action](self, options)

    def verify(self, options: dict[str, Any]) -> None:
        last, tell = last_position(), self.progress("verified")
        try:
            heads = verify(progress=lambda position: tell(position, last))
        except BrokenLink as error:
            raise CommandError(f"Broken: {error}.") from error
        self.stdout.write(f"{last} events in {len(heads)} streams, every link holds.")

    def rebuild(self, options: dict[str, Any]) -> None:
        views = [view for view in VIEWS if options["view"] is None or view.name in options["view"]]
        results = rebuild(views=views, swap=not options["compare_only"], progress=self.progress("folded"))
        for result in results:
            self.stdout.write(f"{result.view:<10} {result.rows:>8} rows  {_judged(result)}")
        if not all(result.equal for result in results):
            raise CommandError("The live views were not what the log says.")

    def seal(self, options: dict[str, Any]) -> None:
        connection = connections["default"]
        missing = seal.missing(connection)
        seal.apply(connection)
        self.stdout.write(f"Sealed; {', '.join(missing)} had been missing." if missing else "It was sealed already.")

    def progress(self, done: str) -> Callable[[int, int], None]:
        """Tells how far it is, no more often than people can read."""
        told_at = time.monotonic()

        def tell(position: int, last: int) -> None:
            nonlocal told_at
            if time.monotonic() - told_at >= PROGRESS_EVERY_S:
                told_at = time.monotonic()
                self.stderr.write(f"{done} {position} of {last} events")

        return tell


ACTIONS: dict[str, Callable[[Command, dict[str, Any]], None]] = {
    "verify": Command.verify,
    "rebuild": Command.rebuild,
    "seal": Command.seal,
}


def _judged(result: Rebuilt) -> str:
    if result.failure is not None:
        return f"failed: {result.failure}"
    if result.equal:
        return "equal"
    differing = "; ".join(
        f"{one.rows} rows of {one.table} differ, such as {', '.join(map(str, one.keys))}" for one in result.differences
    )
    return f"differ: {differing}"
