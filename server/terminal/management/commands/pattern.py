"""`dayroll pattern`: something to print and measure at the machine, as a PNG, with what to look at and what to mind."""

from __future__ import annotations

from argparse import ArgumentParser
from collections.abc import Callable
from pathlib import Path
from typing import Any, get_args

from machines.imaging.halftone import Method, to_dots
from machines.imaging.patterns import (
    Pattern,
    cut_squareness,
    element_check,
    feed_ruler,
    knife_scale,
    nozzle_check,
    wedge_tone,
)
from machines.imaging.rulers import mm_ruler
from machines.model.profile import CarriageHead, Profile
from scheduling.log import models
from scheduling.paper.proof import Proof, most_marks
from scheduling.queries.runs import machine_profile
from server.named_rows import row_named
from server.terminal_command import TerminalCommand


def nozzles(profile: Profile, method: Method) -> Pattern:
    """The nozzle check of a carriage head, the element check of a line head."""
    if not isinstance(profile.head, CarriageHead):
        return element_check(profile)
    reading = (
        f"Count {profile.head.nozzles} steps from the upper edge, nozzle 0 first; a step that is missing is a dead "
        "nozzle. Print it with one pass, each step by its own nozzle."
    )
    return Pattern("nozzle check", nozzle_check(profile, 0).laid(), reading)


def wedge(profile: Profile, method: Method) -> Pattern:
    """The tone wedge, as dots by the method that the run's source names."""
    reading = (
        "Measure each patch, bare paper first and solid last, in steps of 5% as asked. What was measured, as coverage, "
        "becomes the curve of the source: its `asked` and `printed`."
    )
    return Pattern("tone wedge", to_dots(wedge_tone(profile), method), reading)


PATTERNS: dict[str, Callable[[Profile, Method], Pattern]] = {
    "nozzle-check": nozzles,
    "feed-ruler": lambda profile, method: feed_ruler(profile),
    "knife-scale": lambda profile, method: knife_scale(profile),
    "wedge": wedge,
    "squareness": lambda profile, method: cut_squareness(profile),
}


class Command(TerminalCommand):
    help = "Draw a test pattern for a model of machine, and say how to read it and what to mind."
    example = "pattern feed-ruler --profile heron --out ruler.png"

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("pattern", choices=PATTERNS)
        parser.add_argument("--profile", required=True, metavar="ID", help="the model of machine")
        parser.add_argument("--method", choices=get_args(Method), default="blue-noise", help="of the wedge's dots")
        parser.add_argument("--rulers", action="store_true", help="scaled, with a ruler, instead of true dots")
        parser.add_argument("--out", type=Path, required=True, metavar="FILE", help="the PNG to write")

    def handle(self, *args: Any, **options: Any) -> None:
        profile = machine_profile(profile=row_named(models.Profile, options["profile"]).id)
        pattern = PATTERNS[options["pattern"]](profile, options["method"])
        options["out"].write_bytes(_png(pattern, profile, options["rulers"]))
        self.stdout.write(f"{options['out']}: {pattern.name}")
        self.stdout.write(f"Reading: {pattern.reading}")
        for caution in pattern.cautions:
            self.stdout.write(f"Caution: {caution}")


def _png(pattern: Pattern, profile: Profile, rulers: bool) -> bytes:
    columns = pattern.dots.shape[1]
    return Proof(
        profile=profile,
        dots=pattern.dots,
        first=0,
        below=(mm_ruler(profile, 0, columns, most_marks(profile, columns)),),
        cuts=() if pattern.cut_column is None else (pattern.cut_column,),
    ).png("rulers" if rulers else "true")
