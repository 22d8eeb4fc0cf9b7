"""`dayroll reading`: from what was measured on a printed pattern to the number that sets the machine right.

Where a machine is named, what was measured of it is kept, and its node takes it up.
"""

from __future__ import annotations

import json
from argparse import ArgumentParser
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from machines.errors import InputError
from machines.imaging.dot_gain import ToneCurve, coverage_from_density
from machines.imaging.patterns import (
    CAUTIONS_AT_KNIFE,
    CAUTIONS_AT_ROLLERS,
    corrected_head_to_knife_mm,
    cut_angle_degrees,
    feed_correction,
    humidity_stretch_mm,
)
from machines.model.calibration import Calibration
from machines.model.profile import Profile
from machines.model.supplies import roll_length_error_m, roll_length_m
from machines.serialization import unstructure
from scheduling.commands.calibration import feed_in_words, knife_in_words, nozzles_in_words
from scheduling.log import models
from scheduling.queries.calibration import calibrate, machine_calibration, with_dead, with_feed, with_knife
from scheduling.queries.runs import machine_profile
from server.accounts.at_terminal import at_the_terminal
from server.api.queries import read_dead
from server.named_rows import row_named
from server.terminal_command import TerminalCommand

MACHINE = "that printed it; what was measured is kept, and its node takes it up"


class Command(TerminalCommand):
    help = "Turn what was measured on a test pattern, or on a roll, into the number to enter."
    example = "reading feed --printed-mm 200 --measured-mm 199.4 --machine heron-1"

    def add_arguments(self, parser: ArgumentParser) -> None:
        kinds = parser.add_subparsers(dest="kind", required=True)
        _add_readings_to_keep(kinds)
        _add_readings_to_know(kinds)

    def handle(self, *args: Any, kind: str, **options: Any) -> None:
        reading = READINGS[kind](options)
        if reading.measured is not None:
            calibrate(options["machine"], reading.measured, at_the_terminal())
        self.stdout.write(reading.said)
        for caution in reading.cautions:
            self.stdout.write(f"Caution: {caution}")


def _add_readings_to_keep(kinds: Any) -> None:
    """Those that are kept of a machine, where one is named."""
    feed = kinds.add_parser("feed", help="of the feed ruler: how true the paper is fed")
    feed.add_argument("--printed-mm", type=float, required=True, help="as the ruler says")
    feed.add_argument("--measured-mm", type=float, required=True, help="by a steel rule")
    feed.add_argument("--machine", metavar="ID", help=MACHINE)
    nozzles = kinds.add_parser("nozzles", help="of the nozzle check: which are dead and are left out from now on")
    nozzles.add_argument("--dead", default="", help="steps that are missing, from 0, such as 3,7; none if left out")
    nozzles.add_argument("--machine", metavar="ID", required=True, help=MACHINE)
    knife = kinds.add_parser("knife", help="of the knife scale: the distance from the head to the knife")
    printed_by = knife.add_mutually_exclusive_group(required=True)
    printed_by.add_argument("--profile", metavar="ID", help="that the scale was printed with")
    printed_by.add_argument("--machine", metavar="ID", help=MACHINE)
    knife.add_argument("--cut-at-mm", type=float, required=True, help="from the full stroke, as the pattern says")


def _add_readings_to_know(kinds: Any) -> None:
    """Those that tell a person what to do, or what to make of something."""
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
    damp = kinds.add_parser("humidity", help="of a strip in other air: by how much paper and calibration change")
    damp.add_argument("--length-mm", type=float, required=True, help="of the paper")
    damp.add_argument("--points", type=float, required=True, help="of relative humidity, below 0 for drier air")
    damp.add_argument("--percent", type=float, required=True, help="that your paper grows in 100 points; measure it")


@dataclass(frozen=True)
class Measurement:
    """What a reading says.

    Attributes:
        said: to whoever reads it.
        cautions: to be shown with it.
        measured: of a machine, to be kept; None where none was named.
    """

    said: str
    cautions: tuple[str, ...] = ()
    measured: Calibration | None = None


def feed(options: dict[str, Any]) -> Measurement:
    """How true the paper is fed: kept, or what to multiply the motor's steps by."""
    printed_mm, measured_mm = options["printed_mm"], options["measured_mm"]
    if options["machine"] is None:
        factor = feed_correction(printed_mm, measured_mm)
        return Measurement(f"Multiply the motor's steps a millimetre by {factor:.5f}.", CAUTIONS_AT_ROLLERS)
    measured = with_feed(machine_calibration(_machine(options)), printed_mm, measured_mm)
    return Measurement(feed_in_words(measured), CAUTIONS_AT_ROLLERS, measured)


def nozzles(options: dict[str, Any]) -> Measurement:
    """Which nozzles are left out from now on, and what they cost until then."""
    machine = _machine(options)
    before = machine_calibration(machine)
    measured = with_dead(before, read_dead(options["dead"]))
    profile = machine_profile(profile=machine.profile_id)
    measured.check(profile)
    return Measurement(nozzles_in_words(before, measured, profile), CAUTIONS_AT_ROLLERS, measured)


def knife(options: dict[str, Any]) -> Measurement:
    """The distance from head to knife: kept, or for the profile."""
    if options["machine"] is None:
        distance_mm = corrected_head_to_knife_mm(_profile(options), options["cut_at_mm"])
        return Measurement(f"Enter head_to_knife_mm {distance_mm:.2f} in the profile.", CAUTIONS_AT_KNIFE)
    machine = _machine(options)
    profile = machine_profile(profile=machine.profile_id)
    measured = with_knife(machine_calibration(machine), profile, options["cut_at_mm"])
    return Measurement(knife_in_words(measured), CAUTIONS_AT_KNIFE, measured)


def squareness(options: dict[str, Any]) -> Measurement:
    """By how much the cut is out of square."""
    degrees = cut_angle_degrees(_profile(options), options["upper_mm"], options["lower_mm"])
    return Measurement(f"The cut is {degrees:+.3f} degrees out of square.", CAUTIONS_AT_KNIFE)


def wedge(options: dict[str, Any]) -> Measurement:
    """The curve of a source, as the API takes it."""
    densities = options["densities"]
    if len(densities) < 2:
        raise InputError("densities", "fewer than two steps", "give bare paper, the steps between, and solid")
    paper, solid = densities[0], densities[-1]
    printed = tuple(round(coverage_from_density(tint, solid, paper), 6) for tint in densities)
    asked = tuple(np.linspace(0.0, 1.0, len(densities)).round(6).tolist())
    return Measurement(json.dumps(unstructure(ToneCurve(asked=asked, printed=printed))))


def roll(options: dict[str, Any]) -> Measurement:
    """Its length, and how little a diameter says of it."""
    length_m = roll_length_m(options["outer_mm"], options["core_mm"], options["caliper_mm"])
    error_m = roll_length_error_m(options["outer_mm"], options["caliper_mm"])
    return Measurement(f"{length_m:.1f} m of paper, give or take {error_m:.1f} m for a millimetre of diameter.")


def humidity(options: dict[str, Any]) -> Measurement:
    """By how much paper grows, and a calibration made in other air is off."""
    growth_mm = humidity_stretch_mm(options["length_mm"], options["points"], options["percent"])
    share = growth_mm / options["length_mm"]
    said = f"The paper grows by {growth_mm:+.2f} mm; a feed that was measured before is off by {share:+.3%}."
    return Measurement(said)


READINGS: dict[str, Callable[[dict[str, Any]], Measurement]] = {
    "feed": feed,
    "nozzles": nozzles,
    "knife": knife,
    "squareness": squareness,
    "wedge": wedge,
    "roll": roll,
    "humidity": humidity,
}


def _machine(options: dict[str, Any]) -> models.Machine:
    return row_named(models.Machine, options["machine"])


def _profile(options: dict[str, Any]) -> Profile:
    return machine_profile(profile=row_named(models.Profile, options["profile"]).id)
