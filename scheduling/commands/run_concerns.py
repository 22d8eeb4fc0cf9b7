"""What a maker would want to be told of a run before it is planned, beside the parts that end within it: nothing of it
keeps the run from being planned.

Each cause is told once. A map or a belt of stars whose paper moves to the left is told of and not drawn otherwise: the
head follows the sky, so that along such paper what comes later stands further right, and east stands on the left
whatever is drawn. Only turned upside down would it be no mirror's image, and that nobody would print unasked.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Literal
from zoneinfo import ZoneInfo

import numpy as np

from machines.clock import utc
from machines.imaging.pictures import DaylightMap, LandPicture, Picture, StarBelt, WrappedImage, seam_visibility
from machines.model.profile import Profile
from scheduling.commands.changes import ChangeWarning
from scheduling.commands.meanwhile import meanwhile
from scheduling.commands.plan_run import NOW_MEANS
from scheduling.log.models import Machine, Notice, Run, Venue
from scheduling.log.projections.notices import RUN_NOT_KNOWN
from scheduling.paper.proof import MOST_DOTS, SEAM_SHOWS
from scheduling.queries.runs import run_policy
from scheduling.rendering.render import RenderSource, draw_tone
from scheduling.rendering.sky_parameters import Turn
from scheduling.sky.civil import instant_in_words
from scheduling.sky.ephemeris import load
from scheduling.sky.zones import zone

ConcernKind = Literal[
    "begins-in-the-past",
    "run-not-known",
    "no-board",
    "hours-missing",
    "only-while-open",
    "mirrored",
    "off-the-sun",
    "seam",
    "ut1-in-doubt",
    "begins-within-a-turn",
    "no-window",
    "bad-moment",
    "uncut-in-quiet",
    "idle-in-quiet",
]
UNDER_THE_SUN = ("apparent-solar-day", "mean-solar-day")
UNDER_THE_MOON = ("lunar-day",)
# These turn with the Earth, so that they are known no better than UT1.
WITH_THE_EARTH = (*UNDER_THE_SUN, *UNDER_THE_MOON, "sidereal-day", "temporal-hours")
# Beyond this share of a dot a doubt of UT1 is told.
DOUBT_DOTS = 0.1
_DAY = timedelta(days=1)


@dataclass(frozen=True, kw_only=True)
class Concern:
    """Something that should be put right, or be meant, before a run is planned.

    Attributes:
        kind: what it is; stays the same whatever the words.
        field: of what was asked for, that it is about.
        in_words: for people; times are by the venue's clock, whose zone is named.
    """

    kind: ConcernKind
    field: str
    in_words: str

    def as_warning(self) -> ChangeWarning:
        """The same of a change of a run, a whole sentence."""
        return ChangeWarning(kind=self.kind, in_words=f"{self.in_words[0].upper()}{self.in_words[1:]}.")


@dataclass(frozen=True, eq=False)
class Plan:
    """A run that could be planned, and where.

    Attributes:
        run: in no table.
        machine, venue, profile: of it.
        original: what it prints.
        turn: its first, for what changes with the sky.
        now: this instant, UTC.
    """

    run: Run
    machine: Machine
    venue: Venue
    profile: Profile
    original: RenderSource
    turn: Turn
    now: datetime

    @property
    def clock(self) -> ZoneInfo:
        """The venue's."""
        return zone(self.venue.zone)


def concerns(plan: Plan) -> Iterator[Concern]:
    """All of them, in the order in which a maker would look."""
    of_the_plan = (_past, _forgotten, _board, _hours, _only_while_open)
    for look in (*of_the_plan, _mirrored, _off_the_sun, _seam, _ut1, _within_a_turn):
        yield from look(plan)


def local_in_words(at: datetime, clock: ZoneInfo) -> str:
    """An instant by a venue's clock, to the minute, with the zone's name."""
    return instant_in_words(at.replace(second=0, microsecond=0), clock)


def _only_while_open(plan: Plan) -> Iterator[Concern]:
    if plan.run.only_while_open:
        said = (
            "it is printed only while the venue is open; then it begins by itself."
            f" {meanwhile(run_policy(plan.run).rule_for('held'))}"
        )
        yield Concern(kind="only-while-open", field="only_while_open", in_words=said)


def _past(plan: Plan) -> Iterator[Concern]:
    if plan.run.starts_at < plan.now - NOW_MEANS:
        begins = local_in_words(plan.run.starts_at, plan.clock)
        said = f"it begins in the past, {begins}: what is over by then is settled as missed"
        yield Concern(kind="begins-in-the-past", field="starts_at", in_words=said)


def _forgotten(plan: Plan) -> Iterator[Concern]:
    """It prints, or printed, where this run is to be, of one that this server has forgotten."""
    told = Notice.objects.filter(machine_id=plan.machine.id, kind=RUN_NOT_KNOWN, cleared_at=None)
    runs = told.exclude(run=plan.run.id).filter(raised_at__gte=plan.run.starts_at)
    if names := ", ".join(sorted({notice.run for notice in runs if notice.run is not None})):
        said = (
            f"its board has told of {names}, which is not known here: if this is that run, plan it under that id, or"
            " what lies on the paper counts as missed"
        )
        yield Concern(kind="run-not-known", field="id", in_words=said)


def _board(plan: Plan) -> Iterator[Concern]:
    if not plan.machine.epoch:
        said = f"no board is enrolled at {plan.machine.name}, so nothing would print: ask for a code, and enrol one"
        yield Concern(kind="no-board", field="machine", in_words=said)


def _hours(plan: Plan) -> Iterator[Concern]:
    """Always: choices after an outage, the day's sheet and the ends of parts all go by them."""
    if plan.venue.hours is None:
        said = f"nobody has said when {plan.venue.name} is open, so nothing can be kept to closed hours: set its hours"
        yield Concern(kind="hours-missing", field="machine", in_words=said)


def _map(picture: Picture) -> LandPicture | None:
    """The map that a picture is or lies on."""
    if isinstance(picture, DaylightMap):
        return picture.map
    return picture if isinstance(picture, LandPicture) else None


def _mirrored(plan: Plan) -> Iterator[Concern]:
    if plan.profile.travel != "left":
        return
    if _map(plan.original.picture) is not None:
        said = "the paper moves to the left, so the map comes out mirror-wise, with east on the left"
    elif isinstance(plan.original.picture, StarBelt):
        said = "the paper moves to the left, so the stars come out mirror-wise, as on the outside of a globe of the sky"
    else:
        return
    remedy = "choose a machine whose paper moves to the right, or show it in a mirror or from behind"
    yield Concern(kind="mirrored", field="machine", in_words=f"{said}: {remedy}")


def _off_the_sun(plan: Plan) -> Iterator[Concern]:
    drawn = _map(plan.original.picture)
    if drawn is None:
        return
    degrees = (drawn.central_meridian_degrees + 180.0) % 360.0 - 180.0
    if plan.run.cycle not in UNDER_THE_SUN + UNDER_THE_MOON:
        said = f"against {plan.run.cycle} the map is not kept under the Sun: choose {UNDER_THE_SUN[0]}, if it should be"
        yield Concern(kind="off-the-sun", field="cycle", in_words=said)
    elif degrees:
        body = "Moon" if plan.run.cycle in UNDER_THE_MOON else "Sun"
        said = (
            f"the map's central meridian is {degrees:g} degrees, so what is under the head is so far off what is under "
            f"the {body}: only 0 keeps it there"
        )
        yield Concern(kind="off-the-sun", field="source", in_words=said)


def _seam(plan: Plan) -> Iterator[Concern]:
    """Of a picture of one's own; what the product draws closes by itself."""
    if not isinstance(plan.original.picture, WrappedImage):
        return
    if plan.profile.columns_per_turn * plan.profile.dots_across > MOST_DOTS:
        said = "the picture has too many dots for its seam to be looked at here: look at it on a test print"
        yield Concern(kind="seam", field="source", in_words=said)
        return
    visibility = seam_visibility(draw_tone(plan.original, plan.profile, plan.turn, None))
    if visibility >= SEAM_SHOWS:
        said = f"where a turn of the picture closes its seam shows ({visibility:.2f}; 1 is black on white)"
        yield Concern(kind="seam", field="source", in_words=f"{said}: blend it shut with blend_mm")


def _ut1(plan: Plan) -> Iterator[Concern]:
    """UT1 is predicted beyond the newest table, and from some day on to no better than a tenth of a dot."""
    run = plan.run
    if run.cycle not in WITH_THE_EARTH:
        return
    dot_s = run.mean_turn_s / plan.profile.columns_per_turn
    days = np.arange(run.starts_at.timestamp(), run.ends_at.timestamp() + 1.0, _DAY.total_seconds())
    instants = np.append(days, run.ends_at.timestamp())
    errors_s = load().scales.ut1_error_s(instants)
    beyond = np.flatnonzero(errors_s > DOUBT_DOTS * dot_s)
    if len(beyond):
        since = utc(float(instants[beyond[0]]))
        said = (
            f"from {since.astimezone(plan.clock):%Y-%m-%d} ({plan.clock.key}) on the Earth's rotation is known to no "
            f"better than a tenth of a dot; at the end it may be off by {errors_s[-1]:.2g} s, or "
            f"{errors_s[-1] / dot_s:.2g} dots"
        )
        yield Concern(
            kind="ut1-in-doubt", field="ends_at", in_words=f"{said}: end the run sooner, or plan its end later"
        )


def _within_a_turn(plan: Plan) -> Iterator[Concern]:
    run, per_turn = plan.run, plan.profile.columns_per_turn
    within = run.first_column % per_turn
    if run.strips_per_turn and within:
        said = f"it begins {within / per_turn:.0%} into a turn, whose strips are fewer, and the first of them shorter"
        yield Concern(
            kind="begins-within-a-turn", field="starts_at", in_words=f"{said}: begin where a turn does, if it matters"
        )
