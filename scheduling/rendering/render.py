"""Drawing the plate of a turn: the sky's numbers, the picture's tone, the machine's dots."""

from __future__ import annotations

from dataclasses import dataclass

from machines.imaging.dot_gain import ToneCurve
from machines.imaging.halftone import Method, Tone, dots_of
from machines.imaging.pictures import DaylightMap, LandPicture, Picture, SkyNumbers, WrappedImage, draw, pieces
from machines.imaging.plate import Plate
from machines.model.profile import Profile
from scheduling.rendering.sky_parameters import Turn, sky_numbers
from scheduling.sky.places import Place

# Of a small drawing: a short turn of wide paper is drawn no higher than that.
HIGHEST_SMALL = 1920


@dataclass(frozen=True, kw_only=True)
class RenderSource:
    """A source, ready to be drawn.

    Attributes:
        picture: its parameters.
        upload: the file that was uploaded with it, where the picture needs one.
        method: how its tones become dots.
        curve: of the dot gain on the machine that prints it, which is undone; None prints tones as they are.
    """

    picture: Picture
    upload: bytes | None = None
    method: Method = "blue-noise"
    curve: ToneCurve | None = None


def draw_plate(original: RenderSource, profile: Profile, turn: Turn, place: Place | None) -> Plate:
    """The dots of one turn of a source on a machine. It takes at most three octets a dot, besides what an uploaded file
    takes to be read.

    Args:
        original: what to draw.
        profile: of the machine that prints it.
        turn: of the cycle, for what changes with the sky.
        place: from where the sky is seen; None where that is not known, see `scheduling.rendering.sky_parameters`.

    Raises:
        InputError: the picture does not fit the machine, or lacks its upload.
    """
    return plate_under(original, profile, sky_numbers(original.picture, turn, place))


def plate_under(original: RenderSource, profile: Profile, sky: SkyNumbers) -> Plate:
    """The dots of one turn under a sky whose numbers are known already; see `draw_plate`."""
    rows, columns = profile.dots_across, profile.columns_per_turn
    drawn = pieces(
        original.picture,
        sky,
        columns,
        rows,
        profile.mm_per_turn,
        profile.print_width_mm,
        travel=profile.travel,
        upload=original.upload,
    )
    return Plate(dots_of(drawn, rows, columns, original.method, original.curve))


def draw_tone(original: RenderSource, profile: Profile, turn: Turn, place: Place | None) -> Tone:
    """The tone of one turn, whole, before it becomes dots: four octets a dot; see `draw_plate`."""
    sky = sky_numbers(original.picture, turn, place)
    return draw(
        original.picture,
        sky,
        profile.columns_per_turn,
        profile.dots_across,
        profile.mm_per_turn,
        profile.print_width_mm,
        travel=profile.travel,
        upload=original.upload,
    )


def draw_small(original: RenderSource, profile: Profile, columns: int, turn: Turn, place: Place | None) -> Tone:
    """The tone of one turn at its true measures, with fewer columns than are printed and as much fewer rows, at most
    1920; see `draw_plate`."""
    return draw(
        original.picture,
        sky_numbers(original.picture, turn, place),
        columns,
        min(max(1, round(profile.dots_across * columns / profile.columns_per_turn)), HIGHEST_SMALL),
        profile.mm_per_turn,
        profile.print_width_mm,
        travel=profile.travel,
        upload=original.upload,
    )


def needs_upload(picture: Picture) -> bool:
    """Whether a picture is drawn from a file that comes with it."""
    if isinstance(picture, DaylightMap):
        return needs_upload(picture.map)
    return isinstance(picture, WrappedImage) or (isinstance(picture, LandPicture) and picture.data == "upload")
