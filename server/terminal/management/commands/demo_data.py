"""`dayroll demo-data`: the demonstration's studio, from now on, in a server that is new, to play with."""

from __future__ import annotations

from argparse import ArgumentParser
from datetime import datetime, timedelta
from typing import Any

from django.core.management import call_command
from django.core.management.base import CommandError
from django.db import transaction

from machines.serialization import parse_instant
from scheduling.log.models import Machine, Venue
from server import wiring
from server.demo import furnishing, scenario
from server.terminal.changing.asking import ask
from server.terminal.own_name import own_name
from server.terminal_command import TerminalCommand

# From now to the first column, so that plates can be drawn and boards can fetch them.
LEAD = timedelta(minutes=10)
LASTS = timedelta(days=28)
OPENS_AFTER = timedelta(days=4)

DONE = """\
{studio} is there: {venues} venues, {machines} machines, {runs} runs from {begins:%Y-%m-%d %H:%M} UTC on for four weeks.
Look at them on the pages of `{dayroll} serve`; who signs in changes them (`{dayroll} person make NAME --role studio`).

To have one printed by a simulated machine, where the server runs, with the address that `{dayroll} serve` said:
  {node} enrol --server ADDRESS --home {home}     it asks for a code
  {node} run --home {home}
The codes, each for one board, good until {until:%Y-%m-%d %H:%M} UTC:"""


class Command(TerminalCommand):
    help = "Put the demonstration's studio into a new server, live, to play with."
    example = "demo-data"
    requires_system_checks: list[str] = []  # noqa: RUF012 - the database is made first

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.description = f"{self.help} Give it a folder of its own, DAYROLL_HOME=var/play, and serve likewise."

    def handle(self, *args: Any, **options: Any) -> None:
        call_command("migrate", interactive=False, verbosity=0)
        if Venue.objects.exists() or Machine.objects.exists():
            raise CommandError("this server has a studio already; give a new one a DAYROLL_HOME of its own")
        begins = _next_quarter(wiring.now() + LEAD)
        openings = furnishing.openings_from((begins + OPENS_AFTER).date())
        with transaction.atomic():  # all of it or nothing
            for method, address, body in (*furnishing.things(openings), *furnishing.runs(begins, LASTS, "first")):
                ask(method, address, body, tag=ask("GET", address).tag if method == "PUT" else None)
        codes = [ask("POST", f"machines/{station.id}/enrolment").body for station in scenario.STATIONS]
        said = DONE.format(
            studio=scenario.STUDIO,
            dayroll=own_name(),
            node=own_name("dayroll-node"),
            venues=len(scenario.VENUES),
            machines=len(scenario.STATIONS),
            runs=len(scenario.STATIONS),
            begins=begins,
            home=f"var/{scenario.STATIONS[0].id}",
            until=min(parse_instant(made["expires_at"]) for made in codes),
        )
        self.stdout.write(said)
        for made in codes:
            self.stdout.write(f"  {made['machine']:12} {made['code']}")


def _next_quarter(at: datetime) -> datetime:
    """The first quarter of an hour after an instant."""
    whole = at.replace(minute=at.minute // 15 * 15, second=0, microsecond=0)
    return whole + timedelta(minutes=15)
