"""`dayroll when`: when a place of the picture is under the head, at the knife and cut off; or what is there at an
instant."""

from __future__ import annotations

import json
from argparse import ArgumentParser
from collections.abc import Iterator, Sequence
from datetime import timedelta
from typing import Any
from zoneinfo import ZoneInfo

from django.core.management.base import CommandError

from machines.serialization import parse_instant, unstructure
from scheduling.answers.paper_at import paper_at, require_near
from scheduling.answers.paper_at_told import paper_at_told
from scheduling.answers.paper_in_words import moment_by, sentences
from scheduling.log.models import Machine
from scheduling.paper.next_passage import PassageQuery
from scheduling.paper.passages_told import ByClock, PassagesTold, passages_told
from scheduling.queries.machine_context import MachineContext, machine_context
from scheduling.sky.zones import zone
from server import wiring
from server.console.place_names import in_words, towns_called
from server.named_rows import row_named
from server.terminal_command import TerminalCommand

USUAL_DAYS, MOST_DAYS = 7, 400
# Of several towns of a name, as many are named.
MOST_MEANT = 5


class Command(TerminalCommand):
    help = (
        "Tell when a place of the picture is under the head, at the knife and cut off, by any clocks; or, with --at, "
        "what is under the head at an instant, what hangs to the knife, and what was cut off by then."
    )
    example = "when heron-1 --town Lisbon --zone Europe/Berlin"

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("machine", metavar="MACHINE", help="which machine")
        place = parser.add_mutually_exclusive_group(required=True)
        place.add_argument("--longitude", type=float, metavar="DEGREES", help="east positive: --longitude=-52.7")
        place.add_argument("--town", metavar="NAME", help="a town by its name, such as Lisbon")
        place.add_argument("--phase", type=float, metavar="SHARE", help="of the turn, from 0 to below 1")
        place.add_argument("--column", type=int, metavar="N", help="of the turn, from 0")
        place.add_argument("--at", metavar="INSTANT", help="what lies on the paper then; such as 2026-10-24T12:00:00Z")
        parser.add_argument(
            "--from", dest="begins", metavar="INSTANT", help="such as 2026-10-24T12:00:00Z (default: now)"
        )
        parser.add_argument("--days", type=int, metavar="N", help="for how long (default: 7)")
        parser.add_argument("--zone", action="append", default=[], metavar="NAME", help="another clock, more than once")
        parser.add_argument("--json", action="store_true", help="print JSON")

    def handle(self, *args: Any, **options: Any) -> None:
        days = USUAL_DAYS if options["days"] is None else options["days"]
        if not 1 <= days <= MOST_DAYS:
            raise CommandError(f"--days {days}: give 1 to {MOST_DAYS}")
        context = machine_context(row_named(Machine, options["machine"]), wiring.now())
        clocks = [zone(name) for name in options["zone"]]
        if options["at"] is not None:
            if options["begins"] is not None or options["days"] is not None:
                raise CommandError("--at asks about one instant: leave --from and --days out")
            self._tell_paper(context, options, clocks)
            return
        begins = context.now if options["begins"] is None else parse_instant(options["begins"], "from")
        try:
            ends = begins + timedelta(days=days)
        except OverflowError:
            raise CommandError(f"--from {options['begins']}: the calendar ends before that") from None
        told = passages_told(context, _place(options), begins, ends, clocks)
        if options["json"]:
            self.stdout.write(json.dumps(unstructure(told), indent=2))
        else:
            self.stdout.write("\n".join(_lines(told, context.venue.zone)))

    def _tell_paper(self, context: MachineContext, options: dict[str, Any], clocks: Sequence[ZoneInfo]) -> None:
        at = parse_instant(options["at"], "at")
        require_near(at, context.now, "at")
        told = paper_at_told(paper_at(context, at), clocks)
        if options["json"]:
            self.stdout.write(json.dumps(unstructure(told), indent=2))
            return
        for name in (None, *(one.key for one in clocks)):
            self.stdout.write(f"{told.machine} at {moment_by(told.at, name)}, {name or context.venue.zone}")
            self.stdout.write("\n".join(f"  {one}" for one in sentences(told, name)))
        self.stdout.write(told.certainty.in_words)


def _place(options: dict[str, Any]) -> PassageQuery:
    """The place that is meant; a town is where its longitude is."""
    if options["town"] is None:
        return PassageQuery(longitude=options["longitude"], phase=options["phase"], column=options["column"])
    found = towns_called(options["town"], "en")
    if not found:
        raise CommandError(f"there is no town {options['town']!r} of more than 15,000 people; give its --longitude")
    if len(found) > 1:
        meant = "; ".join(f"{in_words(one, 'en')} ({one.longitude_degrees:.2f})" for one in found[:MOST_MEANT])
        raise CommandError(f"several towns may be meant: {meant}; say the country after a comma, or a --longitude")
    return PassageQuery(longitude=found[0].longitude_degrees)


def _lines(told: PassagesTold, zone_name: str) -> Iterator[str]:
    if not told.passages:
        yield "No run that is planned lays it then."
        return
    first = told.passages[0].passage
    if first.longitude is not None:
        yield f"{told.machine}, longitude {first.longitude:g} {first.stands}"
    for one in told.passages:
        passage = one.passage
        at_knife, cut_off = (None if span is None else span.in_words for span in (passage.at_knife, passage.cut_off))
        here = ByClock(zone=zone_name, laid=passage.laid.in_words, at_knife=at_knife, cut_off=cut_off)
        for by in (here, *one.by_clocks):
            yield f"{by.zone}: {_in_words(by, one.in_recess)}"
    yield told.certainty.in_words


def _in_words(by: ByClock, in_recess: bool) -> str:
    if in_recess:
        return f"due {by.laid}, and not laid: the run rests then"
    parts = [f"laid {by.laid}"]
    if by.at_knife is not None:
        parts.append(f"at the knife {by.at_knife}")
    if by.cut_off is not None:
        parts.append(f"cut off {by.cut_off}")
    return "; ".join(parts)
