"""What the studio and the curator can order beside a run, as it is given, and checked in itself.

`scheduling.commands.plan_run` has the run, `scheduling.commands.handlers` what becomes of each.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from machines.errors import InputError
from machines.imaging.dot_gain import ToneCurve
from machines.imaging.halftone import Method
from machines.imaging.pictures import Picture
from machines.model.profile import Profile
from scheduling.planning.recurrence import Together, check_dates_off
from scheduling.planning.service_windows import Comes
from scheduling.queries.names import check_id, check_name
from scheduling.sky.places import Place, PlaceError
from scheduling.sky.zones import zone

# At which a series is held.
MOST_VENUES = 200


@dataclass(frozen=True, kw_only=True)
class AddVenue:
    """A place where machines stand: degrees, east positive; metres above sea level; IANA time zone."""

    id: str
    name: str
    latitude_degrees: float
    longitude_degrees: float
    elevation_m: float = 0.0
    zone: str

    def __post_init__(self) -> None:
        check_id(self.id)
        check_name(self.name)
        try:
            Place(self.latitude_degrees, self.longitude_degrees, self.elevation_m)
        except PlaceError as error:
            raise InputError(error.field, "no place on the Earth", str(error)) from error
        zone(self.zone)


@dataclass(frozen=True, kw_only=True)
class AddProfile:
    """A model of machine."""

    id: str
    profile: Profile

    def __post_init__(self) -> None:
        check_id(self.id)


@dataclass(frozen=True, kw_only=True)
class AddMachine:
    """A machine of a profile at a venue."""

    id: str
    name: str
    venue: str
    profile: str

    def __post_init__(self) -> None:
        check_id(self.id)
        check_name(self.name)


@dataclass(frozen=True, kw_only=True)
class AddSource:
    """Something to print: a picture of one of the kinds of `machines.imaging.pictures`, with its parameters.

    Attributes:
        upload: SHA-256, in hexadecimal, of the uploaded file that it is drawn from, where it is drawn from one.
        method: how its tones become dots.
        curve: of the dot gain of the machine, paper and ink that it is meant for, read from a printed wedge; undone
            when its tones become dots.
    """

    # The curve stands here and not in the profile: it is measured when profile and machine have long been added, it
    # goes with paper and ink as much as with the model, and no node needs it.

    id: str
    name: str
    picture: Picture
    upload: str | None = None
    method: Method = "blue-noise"
    curve: ToneCurve | None = None

    def __post_init__(self) -> None:
        check_id(self.id)
        check_name(self.name)


@dataclass(frozen=True, kw_only=True)
class FixOpening:
    """Doors open at an instant that a civil time or an event of the sky names, and close at another, if that is said.

    Attributes:
        anchor: see `scheduling.sky.anchors` and `scheduling.paper.run_anchors`.
        closing: likewise; or how long it lasts, elapsed, as in ``{"duration": "PT2H"}``.
    """

    id: str
    venue: str
    name: str
    anchor: dict[str, Any]
    closing: dict[str, Any] | None = None

    def __post_init__(self) -> None:
        check_id(self.id)
        check_name(self.name)


@dataclass(frozen=True, kw_only=True)
class FixOpeningSeries:
    """Openings that recur by a rule, or are held at several venues, or both.

    Attributes:
        venues: where each of them is; at most `MOST_VENUES`.
        anchor, closing: of the first, as for one opening; the others are at the same time by the clock, or at the same
            event of the sky, on their dates.
        rule: of RFC 5545 (`scheduling.planning.recurrence`); None for once.
        dates_off: local dates of the rule on which it is not.
        together: at several venues at the instant that is named for the first of them, or each at the time that its own
            clock shows then, or at the event of its own sky.
    """

    id: str
    name: str
    venues: tuple[str, ...]
    anchor: dict[str, Any]
    closing: dict[str, Any] | None = None
    rule: str | None = None
    dates_off: tuple[str, ...] = ()
    together: Together = "instant"

    def __post_init__(self) -> None:
        check_id(self.id)
        check_name(self.name)
        if not self.venues or len(set(self.venues)) != len(self.venues):
            raise InputError("venues", "none, or one twice", "name each venue once")
        if len(self.venues) > MOST_VENUES:
            raise InputError("venues", f"more than {MOST_VENUES}", "make several series of it")
        check_dates_off(self.dates_off)


@dataclass(frozen=True, kw_only=True)
class FixServiceWindow:
    """Somebody with hands is at a venue, once or every week, to change roll, cartridge or blade."""

    id: str
    venue: str
    name: str
    comes: Comes

    def __post_init__(self) -> None:
        check_id(self.id)
        check_name(self.name)
