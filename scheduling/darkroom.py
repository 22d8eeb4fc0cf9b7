"""Drawing the plate of a turn: the sky's numbers, the picture's tone, the machine's dots."""

from __future__ import annotations

from datetime import datetime

import numpy as np

from machines.pictures import MoonDisc, Picture, SkyNumbers, StarBelt, draw, read_stars
from machines.plate import Plate
from machines.profile import Profile
from machines.tone import to_dots
from scheduling.sky.moon import moon_faces
from scheduling.sky.places import Place
from scheduling.sky.stars import precess


def draw_plate(picture: Picture, profile: Profile, instant: datetime, place: Place) -> Plate:
    """The dots of one turn of a picture on a machine.

    Args:
        picture: what to draw.
        profile: of the machine that prints it.
        instant: the middle of the turn, for what changes with the sky.
        place: from where the sky is seen.

    Raises:
        InputError: the picture does not fit the machine.
    """
    tone = draw(
        picture,
        sky_numbers(picture, instant, place),
        profile.columns_per_turn,
        profile.dots_across,
        profile.mm_per_turn,
        profile.print_width_mm,
        travel=profile.travel,
    )
    return Plate(to_dots(tone))


def sky_numbers(picture: Picture, instant: datetime, place: Place) -> SkyNumbers:
    """The numbers of the sky at an instant that a picture needs, and no others: each costs an ephemeris call."""
    posix = instant.timestamp()
    if isinstance(picture, MoonDisc):
        faces = moon_faces(np.array([posix]), place)
        assert faces.bright_limb_from_zenith_degrees is not None  # a place was given
        return SkyNumbers(
            instant=instant,
            moon_lit_fraction=float(faces.illuminated_fraction[0]),
            moon_limb_angle_degrees=float(faces.bright_limb_from_zenith_degrees[0]),
            moon_age_days=float(faces.age_days[0]),
        )
    if isinstance(picture, StarBelt):
        stars = read_stars()
        ra_degrees, dec_degrees = precess(stars.ra_degrees_j2000, stars.dec_degrees_j2000, posix)
        return SkyNumbers(
            instant=instant,
            star_ra_degrees=ra_degrees,
            star_dec_degrees=dec_degrees,
            star_magnitude=stars.magnitude,
        )
    return SkyNumbers(instant=instant)
