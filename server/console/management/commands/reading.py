"""`dayroll reading`: from what was measured on a printed pattern to the number that sets the machine right."""

from __future__ import annotations

import json
from argparse import ArgumentParser
from collections.abc import Callable
from typing import Any

import numpy as np
from django.core.management.base import BaseCommand, CommandError

from machines.dot_gain import ToneCurve, coverage_from_density
from machines.errors import InputError
from machines.patterns import (
    CAUTIONS_AT_KNIFE,
    CAUTIONS_AT_ROLLERS,
    corrected_head_to_knife_mm,
    cut_angle_degrees,
    feed_correction,
)
from machines.profile import Profile
from machines.structure import unstructure
from machines.supplies import roll_length_error_m, roll_length_m
from scheduling.log import models
from scheduling.selectors import machine_profile
from server.console.management.rows import row_named


class Command(BaseCommand):
    help = "Turn what was measured on a test pattern, or on a roll, into the number to enter."

    def add_arguments(self, parser: ArgumentParser) -> None:
        kinds = parser.add_subparsers(dest="kind", required=True)
        feed = kinds.add_parser("feed", help="of the feed ruler: by what to multiply the motor's steps")
        feed.add_argument("--printed-mm", type=float, required=True, help="as the ruler says")
        feed.add_argument("--measured-mm", type=float, required=True, help="by a steel rule")
        knife = kinds.add_parser("knife", help="of the knife scale: the distance for the profile")
        knife.add_argument("--profile", required=True, metavar="ID", help="that the scale was printed with")
        knife.add_argument("--cut-at-mm", type=float, required=True, help="from the full stroke, as the pattern says")
        square = kinds.add_parser("squareness", help="of the cut: by how much it is out of square")
        square.add_argument("--profile", required=True, metavar="ID")
        square.add_argument("--upper-mm", type=float, required=True, help="from cut to stroke, at the upper end")
        square.add_argument("--lower-mm", type=float, required=True, help="the same at the lower end")
        wedge = kinds.add_parser("wedge", help="of the tone wedge: the curve for a source")
        wedge.add_argument("densities", type=float, nargs="+", help="of each step, bare paper first and solid last")
        roll = kinds.add_parser("roll", help="its length from its diameters")
        roll.add_argument("--outer-mm", type=float, required=True, help="diameter of the roll")
        roll.add_argument("--core-mm", type=float, required=True, help="outside diameter of the core")
        roll.add_argument("--caliper-mm", type=float, required=True, help="thickness of the paper")

    def handle(self, *args: Any, kind: str, **options: Any) -> None:
        try:
            said, cautions = READINGS[kind](options)
        except InputError as error:
            raise CommandError(str(error)) from error
        self.stdout.write(said)
        for caution in cautions:
            self.stdout.write(f"Caution: {caution}")


Said = tuple[str, tuple[str, ...]]


def feed(options: dict[str, Any]) -> Said:
    """What to multiply the motor's steps by."""
    factor = feed_correction(options["printed_mm"], options["measured_mm"])
    return f"Multiply the motor's steps a millimetre by {factor:.5f}.", CAUTIONS_AT_ROLLERS


def knife(options: dict[str, Any]) -> Said:
    """The distance for the profile."""
    distance_mm = corrected_head_to_knife_mm(_profile(options), options["cut_at_mm"])
    return f"Enter head_to_knife_mm {distance_mm:.2f} in the profile.", CAUTIONS_AT_KNIFE


def squareness(options: dict[str, Any]) -> Said:
    """By how much the cut is out of square."""
    degrees = cut_angle_degrees(_profile(options), options["upper_mm"], options["lower_mm"])
    return f"The cut is {degrees:+.3f} degrees out of square.", CAUTIONS_AT_KNIFE


def wedge(options: dict[str, Any]) -> Said:
    """The curve of a source, as the API takes it."""
    densities = options["densities"]
    if len(densities) < 2:
        raise InputError("densities", "fewer than two steps", "give bare paper, the steps between, and solid")
    paper, solid = densities[0], densities[-1]
    printed = tuple(round(coverage_from_density(tint, solid, paper), 6) for tint in densities)
    asked = tuple(np.linspace(0.0, 1.0, len(densities)).round(6).tolist())
    return json.dumps(unstructure(ToneCurve(asked=asked, printed=printed))), ()


def roll(options: dict[str, Any]) -> Said:
    """Its length, and how little a diameter says of it."""
    length_m = roll_length_m(options["outer_mm"], options["core_mm"], options["caliper_mm"])
    error_m = roll_length_error_m(options["outer_mm"], options["caliper_mm"])
    return f"{length_m:.1f} m of paper, give or take {error_m:.1f} m for a millimetre of diameter.", ()


READINGS: dict[str, Callable[[dict[str, Any]], Said]] = {
    "feed": feed,
    "knife": knife,
    "squareness": squareness,
    "wedge": wedge,
    "roll": roll,
}


def _profile(options: dict[str, Any]) -> Profile:
    return machine_profile(profile=row_named(models.Profile, options["profile"]).id)
