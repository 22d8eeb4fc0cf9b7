"""`dayroll proof`: what paper will look like before it is spent, as a PNG."""

from __future__ import annotations

from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.core.management.base import CommandError

from machines.imaging.proof import stretch
from machines.model.cadence import quantum
from machines.serialization import parse_instant
from scheduling.log.models import Profile, Run, Source, Venue
from scheduling.paper.proof import Faults, Proof, proof, turn_columns, usual_cycle
from scheduling.paper.run_proof import METRE_MM, Part, run_proof
from scheduling.queries.runs import machine_profile, venue_place
from scheduling.rendering.sources import render_source
from scheduling.sky import cycles
from scheduling.sky.zones import zone
from server import wiring
from server.api.queries import read_dead, read_slip
from server.named_rows import row_named
from server.terminal_command import TerminalCommand


class Command(TerminalCommand):
    help = "Draw what a run, or a source on a model of machine, will look like on paper."
    example = "proof --run spring --rulers --out spring.png"

    def add_arguments(self, parser: ArgumentParser) -> None:
        what = parser.add_mutually_exclusive_group(required=True)
        what.add_argument("--run", metavar="ID", help="a planned run, with its own machine and cycle")
        what.add_argument("--source", metavar="ID", help="a source, on a --profile")
        parser.add_argument("--profile", metavar="ID", help="the model of machine for a source")
        parser.add_argument("--cycle", metavar="NAME", help="for a source; its picture's usual one if not given")
        parser.add_argument("--venue", metavar="ID", help="for a source: under whose sky, and in whose time")
        parser.add_argument("--at", metavar="INSTANT", help="an instant of the turn, such as 2026-10-24T12:00:00Z")
        parser.add_argument("--metre", action="store_true", help="the first metre instead of one turn")
        parser.add_argument("--dead", default="", metavar="N,N", help="nozzles or elements that are dead, from 0")
        parser.add_argument("--slip", default="0", metavar="SHARE", help="share of the feed that is lost, such as 0.01")
        parser.add_argument("--rulers", action="store_true", help="scaled, with rulers, instead of true dots")
        parser.add_argument("--out", type=Path, required=True, metavar="FILE", help="the PNG to write")

    def handle(self, *args: Any, **options: Any) -> None:
        faults = Faults(dead=read_dead(options["dead"]), slip=read_slip(options["slip"]))
        made, turn_s = _of_run(options, faults) if options["run"] else _of_source(options, faults)
        options["out"].write_bytes(made.png("rulers" if options["rulers"] else "true"))
        length_mm = made.dots.shape[1] * made.profile.column_pitch_mm
        self.stdout.write(
            f"{options['out']}: {length_mm:.4g} by {made.profile.print_width_mm:.4g} mm of paper, "
            f"{quantum(made.profile, turn_s).in_words()}" + (f"; {made.lost}" if made.lost else "")
        )


def _of_run(options: dict[str, Any], faults: Faults) -> tuple[Proof, float]:
    """The proof, and the length of a mean turn in seconds."""
    for name in ("profile", "cycle", "venue"):
        if options[name] is not None:
            raise CommandError(f"a run has its own {name}: leave out --{name}")
    at = None if options["at"] is None else parse_instant(options["at"], "at")
    part: Part = "metre" if options["metre"] else "turn"
    run = row_named(Run, options["run"])
    return run_proof(run, part, faults, wiring.uploads(), at), run.mean_turn_s


def _of_source(options: dict[str, Any], faults: Faults) -> tuple[Proof, float]:
    """The proof, and the length of a mean turn in seconds."""
    original = render_source(row_named(Source, options["source"]), wiring.uploads())
    if options["profile"] is None:
        raise CommandError("say on which model of machine: --profile ID")
    profile = machine_profile(profile=row_named(Profile, options["profile"]).id)
    venue = None if options["venue"] is None else row_named(Venue, options["venue"])
    cycle = cycles.get(options["cycle"] or usual_cycle(original.picture))
    at = wiring.now() if options["at"] is None else parse_instant(options["at"], "at")
    columns = turn_columns(profile, int(cycle.turns([at.timestamp()])[0] // 1))
    made = proof(
        original,
        profile,
        cycle,
        stretch(profile, columns.start, METRE_MM) if options["metre"] else columns,
        faults=faults,
        place=None if venue is None else venue_place(venue=venue.id),
        zone=None if venue is None else zone(venue.zone),
    )
    return made, cycle.mean_turn_s
