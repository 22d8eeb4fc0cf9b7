"""Whether a controller fits the machine that a node was told it has."""

from __future__ import annotations

from machines.drivers.serial.handshake import Greeting
from machines.errors import InputError
from machines.model.calibration import Calibration
from machines.model.profile import CarriageHead, Profile

# An encoder whose counts are further from the profile's than this is another one.
ENCODER_TOLERANCE = 0.05


def check(greeting: Greeting, profile: Profile, *, knife_measured: bool = False) -> None:
    """Whether a controller is that of a machine of this profile.

    Args:
        greeting: of the controller.
        profile: of the machine.
        knife_measured: the way to the blade is known better than the controller knows it, and may differ.

    Raises:
        InputError: names what differs.
    """
    head, reach = profile.head, 0
    _same("head.kind", greeting.head, head.kind)
    if isinstance(head, CarriageHead):
        _same("head.nozzles", greeting.nozzles, head.nozzles)
        reach = head.nozzles - 1
    elif greeting.nozzles < (strobes := head.full_column_strobes(profile.dots_across)):
        problem = f"the controller can hold {greeting.nozzles} strobes of a column, of which a full one has {strobes}"
        raise InputError("controller.nozzles", problem, "let it hold more, or correct the currents of the profile")
    _same("dots_across", greeting.dots, profile.dots_across)
    _same("knife", greeting.knife is not None, profile.knife is not None)
    if profile.knife is not None and not knife_measured:
        _same("knife.head_to_knife_mm, in columns", greeting.knife, profile.knife_columns)
    pitch_nm = round(profile.column_pitch_mm * 1e6)
    if abs(greeting.pitch_nm - pitch_nm) > 1:
        _same("mm_per_turn / columns_per_turn, in nm", greeting.pitch_nm, pitch_nm)
    if greeting.reach < reach:
        problem = f"the controller can draw back {greeting.reach} columns of paper, the head needs {reach}"
        raise InputError("controller.reach", problem, "this head needs a feed that goes back")
    _check_encoder(greeting, profile)


def why_not(greeting: Greeting, calibration: Calibration) -> str:
    """What a calibration asks that the controller cannot do, in words; empty for nothing."""
    if calibration.feed_factor == 1.0 or greeting.fine_nm is not None:
        return ""
    return (
        f"this machine's controller cannot scale its feed by the calibrated factor of {calibration.feed_factor};"
        " correct its steps per millimetre there, and set the factor to 1"
    )


def _check_encoder(greeting: Greeting, profile: Profile) -> None:
    if greeting.counts is None or profile.encoder_pitch_mm is None:
        return
    count_mm = profile.column_pitch_mm / float(greeting.counts)
    if abs(count_mm / profile.encoder_pitch_mm - 1.0) > ENCODER_TOLERANCE:
        _same("encoder_pitch_mm", count_mm, profile.encoder_pitch_mm)


def _same(field: str, controllers: object, profiles: object) -> None:
    if controllers != profiles:
        problem = f"the controller says {controllers}, the profile {profiles}"
        raise InputError(field, problem, "connect the machine of this profile, or correct the profile")
