"""`dayroll rehearse`: a run played thousands of times before it happens."""

from __future__ import annotations

import json
import time
from argparse import ArgumentParser
from collections.abc import Iterator
from typing import Any

from django.core.management.base import CommandError

from machines.serialization import unstructure
from scheduling.log.models import Run
from scheduling.outages.imagined import RunThere
from scheduling.queries.machine_context import machine_context
from scheduling.queries.runs import machine_of
from scheduling.rehearsal.assumed import changed, names
from scheduling.rehearsal.log_rates import rates_of
from scheduling.rehearsal.of_run import RunInNumbers
from scheduling.rehearsal.rates import Rates
from scheduling.rehearsal.rehearse import Asked, rehearse
from scheduling.rehearsal.told import Rehearsed
from server import wiring
from server.console import formatting
from server.desk.rehearsal_words import moves_in_words, name_of, odds_in_words, percent, spare_in_words
from server.named_rows import row_named
from server.terminal_command import TerminalCommand

PROGRESS_EVERY_S = 1.0


class Command(TerminalCommand):
    help = "Play a run thousands of times: how likely what hangs at an opening is whole, and what moves the odds."
    example = "rehearse spring --seasons 10000 --assume power_every_days=30"

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("run", metavar="RUN", help="which run")
        parser.add_argument("--seasons", type=int, default=10_000, metavar="N", help="how many (default: 10000)")
        parser.add_argument("--seed", type=int, default=1, metavar="S", help="of all chance (default: 1)")
        parser.add_argument("--confidence", type=float, default=0.95, metavar="P", help="for spares (default: 0.95)")
        parser.add_argument(
            "--assume",
            action="append",
            default=[],
            metavar="NAME=NUMBER",
            help=f"more than once; of: {', '.join(names())}",
        )
        parser.add_argument("--alone", action="store_true", help="compare no policies and service dates")
        parser.add_argument("--json", action="store_true", help="print JSON")

    def handle(self, *args: Any, **options: Any) -> None:
        run, now = row_named(Run, options["run"]), wiring.now()
        there = RunThere(machine_context(machine_of(run), now), run)
        rates = changed(rates_of(run.machine_id, now, Rates()), dict(map(_assumed, options["assume"])))
        asked = Asked(
            seasons=options["seasons"],
            seed=options["seed"],
            confidence=options["confidence"],
            compare=not options["alone"],
        )
        found = rehearse(RunInNumbers(there, now, wiring.plates()), rates, asked, self._progress())
        if options["json"]:
            self.stdout.write(json.dumps(unstructure(found), ensure_ascii=False, indent=2))
        else:
            zone = there.venue.zone
            self.stdout.writelines(f"{line}\n".replace(formatting.NO_BREAK, " ") for line in _lines(found, zone))

    def _progress(self) -> Any:
        """Tells how far it is, no more often than people can read."""
        told_at = time.monotonic()

        def tell(done: int, whole: int) -> None:
            nonlocal told_at
            if time.monotonic() - told_at >= PROGRESS_EVERY_S:
                told_at = time.monotonic()
                self.stderr.write(f"played {done:,} of {whole:,} seasons")

        return tell


def _assumed(text: str) -> tuple[str, float]:
    name, _, number = text.partition("=")
    try:
        return name, float(number)
    except ValueError:
        raise CommandError(f"--assume {text}: give a name and a number, such as power_every_days=30") from None


def _lines(found: Rehearsed, zone: str) -> Iterator[str]:
    begins, ends = formatting.moment(found.starts_at, zone), formatting.moment(found.ends_at, zone)
    yield f"{found.run}, {begins} to {ends} by the clock of {zone}, played {found.seasons:,} times, seed {found.seed}."
    yield from odds_in_words(found, zone)
    yield f"Spares that are enough in {percent(found.confidence)} of the seasons:"
    yield from (f"  {spare_in_words(one)}" for one in found.spares)
    if found.compared:
        yield moves_in_words(found)
        yield "With one thing otherwise, and the same chance:"
    for one in found.compared:
        right = "" if one.right is None else f"all is right at an opening in {percent(one.right)}, "
        gone = f"roll or ink ends with nobody there in {percent(one.unattended)}"
        yield f"  {name_of(one)}: {right}{one.off_hours:.1f} h off the sky, {one.paper_m:.2f} m of paper, {gone}"
    yield "Assumed:"
    yield from (f"  {one.in_words} ({one.source})" for one in found.assumptions)
    yield f"Not modelled: {'; '.join(found.not_modelled)}."
