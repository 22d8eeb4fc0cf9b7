"""Proofs: what paper will look like before it is spent, with rulers along its edges and with what may go wrong."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal
from zoneinfo import ZoneInfo

import numpy as np

from machines.errors import InputError
from machines.imaging.pictures import DaylightMap, LandPicture, Picture, StarBelt, YearOfDaylight
from machines.imaging.proof import Dots, true_png, view_png, with_dead_nozzles, with_slip
from machines.imaging.rulers import Mark, Ruler, longitude_ruler, mm_ruler, right_ascension_ruler, time_ruler
from machines.model.head import lost_share
from machines.model.profile import CarriageHead, Profile
from machines.model.slots import boundaries
from scheduling.planning.timeline import Cycle
from scheduling.rendering.render import RenderSource, draw_plate
from scheduling.rendering.sky_parameters import turn_of
from scheduling.sky import cycles
from scheduling.sky.places import Place

View = Literal["true", "rulers"]

# The cycle that a picture is made for, where nobody names another.
USUAL_CYCLES = {
    "map": "apparent-solar-day",
    "daylight-map": "apparent-solar-day",
    "image": "apparent-solar-day",
    "stars": "sidereal-day",
    "moon": "lunar-day",
    "year-of-daylight": "tropical-year",
}
# On these, what stands under the head at a phase is the longitude 180 - 360 * phase.
WESTWARD = ("apparent-solar-day", "mean-solar-day", "lunar-day")
# A proof is drawn while somebody waits, and a tone takes four bytes a dot.
MOST_DOTS = 80_000_000
MOST_SLIP = 0.5
# From these on a seam is faint, and shows; a judgement of ours, no source.
SEAM_FAINT, SEAM_SHOWS = 0.01, 0.05
# A view is so wide, or narrower where the paper shown is shorter than it is wide.
WIDEST_PX, NARROWEST_PX, HIGHEST_PX = 1600, 320, 2000
PX_PER_MARK = 100


@dataclass(frozen=True, kw_only=True)
class Faults:
    """What goes wrong unnoticed.

    Attributes:
        dead: nozzles of a carriage head or elements of a line head, from 0.
        slip: share of the feed that is lost; below 0 where the paper runs ahead.
    """

    dead: tuple[int, ...] = ()
    slip: float = 0.0

    def __post_init__(self) -> None:
        if not -MOST_SLIP <= self.slip <= MOST_SLIP:
            remedy = f"give a share of the feed, {-MOST_SLIP:g} to {MOST_SLIP:g}, such as 0.01"
            raise InputError("slip", f"{self.slip:g} is out of range", remedy)

    def on(self, profile: Profile) -> Faults:
        """The same, when the machine has what is said to be dead.

        Raises:
            InputError: it has not.
        """
        carriage = isinstance(profile.head, CarriageHead)
        most = profile.head.nozzles if isinstance(profile.head, CarriageHead) else profile.dots_across
        for number in self.dead:
            if not 0 <= number < most:
                problem = f"there is no {'nozzle' if carriage else 'element'} {number}"
                raise InputError("dead", problem, f"give numbers from 0 to {most - 1}")
        return self


@dataclass(frozen=True, kw_only=True, eq=False)
class Proof:
    """A length of paper as it will lie there.

    Attributes:
        profile: of the machine.
        dots: bool, shape (dots across, columns), the first column first; True is a dot.
        first: number of the first column, by which rulers and cuts count.
        above, below: rulers, from the paper outwards; the first below is that of millimetres.
        cuts: columns at whose first edge the knife cuts.
        lost: which nozzles are dead, and the share of dots that is expected to be lost; None where none is dead.
    """

    profile: Profile
    dots: Dots
    first: int
    above: tuple[Ruler, ...] = ()
    below: tuple[Ruler, ...] = ()
    cuts: tuple[float, ...] = ()
    lost: str | None = None

    def slipped(self, slip: float) -> Proof:
        """The same on paper that advances by less than it is told; millimetres are those of the paper."""
        if slip == 0.0:
            return self

        def place(column: float) -> float:
            return self.first + (column - self.first) * (1.0 - slip)

        def moved(ruler: Ruler) -> Ruler:
            return Ruler(ruler.title, tuple(Mark(place(mark.column), mark.text) for mark in ruler.marks))

        dots = with_slip(self.dots, slip)
        millimetres, *others = self.below
        true_mm = mm_ruler(self.profile, self.first, self.first + dots.shape[1], len(millimetres.marks))
        return replace(
            self,
            dots=dots,
            above=tuple(map(moved, self.above)),
            below=(true_mm, *map(moved, others)),
            cuts=tuple(map(place, self.cuts)),
        )

    def png(self, view: View) -> bytes:
        """The paper from the front: at true dots, or scaled, with rulers, the places of cuts and what is lost."""
        if view == "true":
            return true_png(self.dots, self.profile)
        return view_png(
            self.dots,
            self.profile,
            self.first,
            above=self.above,
            below=self.below if self.lost is None else (*self.below, Ruler(self.lost, ())),
            cuts=self.cuts,
            width_px=view_width_px(self.profile, self.dots.shape[1]),
        )


def view_width_px(profile: Profile, columns: int) -> int:
    """How wide so many columns are shown, so that a short length of wide paper is not as high as a tower."""
    length_mm = columns * profile.column_pitch_mm
    return max(NARROWEST_PX, min(WIDEST_PX, round(HIGHEST_PX * length_mm / profile.print_width_mm)))


def most_marks(profile: Profile, columns: int) -> int:
    """How many marks with text a ruler along so many columns has room for."""
    return view_width_px(profile, columns) // PX_PER_MARK


def require_size(profile: Profile, columns: int) -> None:
    """See that so many columns are no more than can be drawn while somebody waits.

    Raises:
        InputError: they are.
    """
    dots = columns * profile.dots_across
    if dots > MOST_DOTS:
        raise InputError("profile", f"{dots:,} dots are too many for a proof", f"give one of at most {MOST_DOTS:,}")


def usual_cycle(picture: Picture) -> str:
    """The name of the cycle that a picture is made for."""
    return USUAL_CYCLES[picture.kind]


def proof(
    original: RenderSource,
    profile: Profile,
    cycle: cycles.Cycle,
    columns: range,
    *,
    seed: int = 0,
    faults: Faults = Faults(),
    place: Place | None = None,
    zone: ZoneInfo | None = None,
    strips_per_turn: int = 0,
    known_dead: tuple[int, ...] = (),
) -> Proof:
    """What some running columns of a source look like on a machine.

    Args:
        original: the source.
        profile: of the machine.
        cycle: that it prints against.
        columns: running columns, such as those of a turn or of a run's first metre.
        seed: of the assignment of nozzles.
        faults: what goes wrong.
        place: from where the sky is seen; None where that is not known.
        zone: whose civil time the ruler shows; None for UTC.
        strips_per_turn: into how many strips the knife cuts a turn; 0 for none.
        known_dead: nozzles that are left out.

    Raises:
        InputError: the picture does not fit, the machine has no such nozzle, or there are too many dots.
    """
    require_size(profile, len(columns))
    faults.on(profile)
    asked = _dots(original, profile, cycle, columns, place)
    above, below = _rulers(original.picture, profile, cycle, columns, zone)
    return Proof(
        profile=profile,
        dots=with_dead_nozzles(asked, profile, columns.start, seed, faults.dead, known_dead),
        first=columns.start,
        above=above,
        below=below,
        cuts=tuple(boundaries(columns.start, columns.stop - 1, profile.columns_per_turn, strips_per_turn)),
        lost=lost_in_words(profile, faults.dead, known_dead),
    ).slipped(faults.slip)


def _rulers(
    picture: Picture, profile: Profile, cycle: cycles.Cycle, columns: range, zone: ZoneInfo | None
) -> tuple[tuple[Ruler, ...], tuple[Ruler, ...]]:
    """Those above running columns and those below: time; and millimetres, with the places of the picture if it has
    them."""
    marks = most_marks(profile, len(columns))
    instants = cycle.instants(np.arange(columns.start, columns.stop + 1) / profile.columns_per_turn)
    along = phase_ruler(picture, cycle.name, profile, columns.start, columns.stop)
    millimetres = mm_ruler(profile, columns.start, columns.stop, marks)
    return (time_ruler(instants, columns.start, zone, marks),), (millimetres, *([along] if along else []))


def turn_columns(profile: Profile, number: int) -> range:
    """The running columns of a turn."""
    return range(number * profile.columns_per_turn, (number + 1) * profile.columns_per_turn)


def phase_ruler(picture: Picture, cycle: str, profile: Profile, first: int, end: int) -> Ruler | None:
    """The longitude or the right ascension along the edge, where the picture or its cycle has one.

    A map's is its own, whatever it is printed against; of another picture it is that under the Sun or the Moon."""
    marks = most_marks(profile, end - first)
    if isinstance(picture, StarBelt):
        return right_ascension_ruler(profile, first, end, marks)
    centre_degrees = longitude_at_half(picture, cycle)
    return None if centre_degrees is None else longitude_ruler(profile, first, end, marks, centre_degrees)


def lost_in_words(profile: Profile, dead: tuple[int, ...], known: tuple[int, ...] = ()) -> str | None:
    """Which nozzles or elements are dead, and the share of dots that is expected to be lost; None where none is dead.

    Args:
        profile: of the machine.
        dead: unnoticed.
        known: nozzles that are left out.
    """
    unnoticed = sorted(set(dead) - set(known))
    if isinstance(profile.head, CarriageHead):
        share = lost_share(profile.head.nozzles - len(known), profile.head.passes, len(unnoticed))
    else:
        share = len(unnoticed) / profile.dots_across
    parts = [f"left out {', '.join(map(str, known))}"] if known else []
    parts += [f"dead unnoticed {', '.join(map(str, unnoticed))}"] if unnoticed else []
    return f"{'; '.join(parts)}: {share:.2%} of dots lost" if parts else None


def longitude_at_half(picture: Picture, cycle: str) -> float | None:
    """The longitude at phase one half, from which longitudes fall by 360 degrees a turn; None where there are none."""
    if isinstance(picture, DaylightMap):
        picture = picture.map
    if isinstance(picture, LandPicture):
        return picture.central_meridian_degrees
    return 0.0 if cycle in WESTWARD and not isinstance(picture, YearOfDaylight) else None


def _dots(original: RenderSource, profile: Profile, cycle: Cycle, columns: range, place: Place | None) -> Dots:
    """The dots of running columns, each turn from its own plate."""
    per_turn = profile.columns_per_turn
    parts, plate = [], None
    for number in range(columns.start // per_turn, (columns.stop - 1) // per_turn + 1):
        if plate is None or original.picture.changes_with_turn:
            plate = draw_plate(original, profile, turn_of(cycle, number), place)
        turn = turn_columns(profile, number)
        parts.append(plate.running(max(turn.start, columns.start), min(turn.stop, columns.stop)))
    return np.concatenate(parts, axis=1)
