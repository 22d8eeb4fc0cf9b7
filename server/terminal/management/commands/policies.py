"""`dayroll policies`: what each policy would make of an outage of a run."""

from __future__ import annotations

import json
from argparse import ArgumentParser
from collections.abc import Iterator
from datetime import timedelta
from typing import Any, get_args

from django.core.management.base import CommandError

from machines.operator.stop_causes import CAUSE_WORDS
from machines.recovery import HalfPrinted
from machines.serialization import format_instant, parse_instant
from scheduling.log.models import Run
from scheduling.outages.imagined import RunThere
from scheduling.queries.machine_context import machine_context
from scheduling.queries.runs import machine_of
from server import wiring
from server.console import formatting
from server.desk.policy_words import policies_shown, told
from server.named_rows import row_named
from server.terminal.changing.asking import ask
from server.terminal_command import TerminalCommand


class Command(TerminalCommand):
    help = "Tell what each policy would make of an outage of a run: on paper, in hours, at every opening."
    example = "policies spring --from 2026-10-24T22:00:00Z --hours 8 --cause power"

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("run", metavar="RUN", help="which run")
        which = parser.add_mutually_exclusive_group(required=True)
        which.add_argument("--from", dest="begins", metavar="INSTANT", help="when the outage begins")
        which.add_argument("--outage", metavar="ID", help="one of the log, in place of a span")
        parser.add_argument("--hours", type=float, default=8.0, metavar="N", help="for how long (default: 8)")
        parser.add_argument("--cause", choices=tuple(CAUSE_WORDS), default="power", help="why (default: power)")
        parser.add_argument("--within", type=float, default=6.0, metavar="N", help="of the newest (default: 6)")
        parser.add_argument("--unit", choices=("hours", "turns"), default="hours", help="of that (default: hours)")
        parser.add_argument(
            "--half-printed",
            choices=get_args(HalfPrinted),
            default="as-the-rest",
            help="what becomes of the segment that was being printed (default: as-the-rest)",
        )
        parser.add_argument(
            "--only-while-closed", action="store_true", help="print late only while the venue is closed"
        )
        parser.add_argument("--json", action="store_true", help="print JSON")

    def handle(self, *args: Any, **options: Any) -> None:
        run = row_named(Run, options["run"])
        found = ask("GET", f"runs/{run.id}/policies", **_query(options)).body
        if options["json"]:
            self.stdout.write(json.dumps(found, ensure_ascii=False, indent=2))
            return
        there = RunThere(machine_context(machine_of(run), wiring.now()), run)
        self.stdout.writelines(f"{line}\n".replace(formatting.NO_BREAK, " ") for line in _lines(there, found))


def _query(options: dict[str, Any]) -> dict[str, str]:
    query = {"within": str(options["within"]), "unit": options["unit"], "half_printed": options["half_printed"]}
    query["only_while_closed"] = "true" if options["only_while_closed"] else "false"
    if options["outage"] is not None:
        return query | {"outage": options["outage"]}
    begins = parse_instant(options["begins"], "from")
    try:
        ends = begins + timedelta(hours=options["hours"])
    except (OverflowError, ValueError):
        raise CommandError(f"--hours {options['hours']}: the calendar ends before that") from None
    return query | {"from": format_instant(begins), "until": format_instant(ends), "cause": options["cause"]}


def _lines(there: RunThere, body: Any) -> Iterator[str]:
    found, zone = told(body), there.venue.zone
    span = f"{formatting.moment(found.starts_at, zone)} to {formatting.moment(found.ends_at, zone)}"
    missing = formatting.columns(found.gap.end - found.gap.first)
    after = CAUSE_WORDS.get(found.gap.cause, found.gap.cause)
    yield f"{span} by the clock of {zone}, after {after}: {missing} missing."
    for one in policies_shown(there, found):
        option = one.option
        if option.problem:
            yield f"{one.name}: cannot be: {option.problem}"
            continue
        uses = f"paper {option.paper}; ink {option.ink}"
        yield f"{one.name}: left out {option.left_out}; printed late {option.late}; {uses}."
        yield f"  True to the sky: {one.true_again}."
        yield from (f"  {at.opening}: {at.said}." for at in one.openings)
    yield f"Not reckoned: {'; '.join(found.not_reckoned)}."
