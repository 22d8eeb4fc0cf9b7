"""What a rehearsal tells: the odds, what they stand on, what moves them, and what is not modelled."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from scheduling.rehearsal.tallies import OpeningOdds, Spread
from scheduling.rehearsal.variants import VariantKind

NOT_MODELLED = (
    "the sky turns evenly, at the run's mean pace",
    "a hold that is said from now on, and hours that are set otherwise",
    "incidents come each by itself at a steady rate; in truth they come in clusters, as nozzles do after idling",
    "a machine goes on by itself after the power is back; where the venue wants somebody there, it stands longer",
    "the knife stays disarmed after an unplanned stop until a person arms it: whether a strip is cut is not told",
    "spares are at hand, every change is done right, and takes the same time",
    "slip, damp paper, a clock in doubt, weak nozzles and a blade that is dull before its count are left out",
    "columns differ in their ink; each is taken to be as dark as the mean",
    "a timeline that waits prints on after the planned end, and what it uses or meets then is not counted",
)


@dataclass(frozen=True, kw_only=True)
class OpeningThere:
    """An opening, and what it shows.

    Attributes:
        id, name, opens_at: of it.
        odds: shares of the seasons.
        doubt: by how much the share ``right`` may be off, as so many seasons were played and no more: two standard
            errors, and something even where none or all were right (Agresti and Coull).
    """

    id: str
    name: str
    opens_at: datetime
    odds: OpeningOdds
    doubt: float


@dataclass(frozen=True, kw_only=True)
class Spare:
    """How many of a part are enough with the stated confidence.

    Attributes:
        part: which.
        number: beside what is at the machine.
        mean: that are used on average.
        by: ``count`` of what wears out, or ``chance`` of what fails.
    """

    part: str
    number: int
    mean: float
    by: str


@dataclass(frozen=True, kw_only=True)
class Compared:
    """The same seasons with one thing otherwise.

    Attributes:
        kind: ``policy``, ``service`` dates, or ``without`` something that goes wrong.
        name: a kind of rule, a day of the week on which staff come from 09:00 to 11:00, or what never goes wrong.
        right: mean over the openings that all is right there; null without openings.
        unattended: share of the seasons in which a roll or a cartridge ends while nobody is there.
        off_hours: off the sky, on average.
        paper_m: on average.
    """

    kind: VariantKind
    name: str
    right: float | None
    unattended: float
    off_hours: float
    paper_m: float


@dataclass(frozen=True, kw_only=True)
class Assumption:
    """What is assumed, and from where.

    Attributes:
        name: what it is about: ``power``, ``network``, ``jam``, ``part``, ``nozzle`` or ``late``, of each of which some
            numbers can be changed; ``notice_hours``, ``change_minutes``, ``work_held_hours`` or ``reserve``, which is a
            number itself; ``hours``, ``rests``, ``quiet``, ``windows``, ``parts`` or ``ink``, which follow from the
            run.
        in_words: what is assumed.
        source: where it is from.
    """

    name: str
    in_words: str
    source: str


@dataclass(frozen=True, kw_only=True)
class Bar:
    """A part of a spread: from where to where, and the share of the seasons in it."""

    begins: float
    ends: float
    share: float


@dataclass(frozen=True, kw_only=True)
class Rehearsed:
    """A run played many times.

    Attributes:
        run: id.
        seasons, seed: how often, and by which seed: the same gives the same.
        starts_at, ends_at: of what was played, UTC.
        confidence: that the numbers of spares are for.
        openings: in order.
        ran_out: share of the seasons in which a roll or a cartridge ends before it is changed.
        unattended: the same while nobody is there.
        off_hours, still_hours: off the sky, and of that standing still; without the run's rests, which are planned.
        paper_m, ink_ml: used; no ink of a head that uses none, or where it is not known.
        off_bars: the spread of the hours off the sky.
        left_out: columns of the picture that are never laid; those of rests are among them.
        spares: beside what is at the machine.
        compared: what moves the odds; empty where it was not asked for.
        assumptions: what it stands on.
        not_modelled: what it leaves out of account.
    """

    run: str
    seasons: int
    seed: int
    starts_at: datetime
    ends_at: datetime
    confidence: float
    openings: tuple[OpeningThere, ...]
    ran_out: float
    unattended: float
    off_hours: Spread
    still_hours: Spread
    paper_m: Spread
    ink_ml: Spread | None
    off_bars: tuple[Bar, ...]
    left_out: Spread
    spares: tuple[Spare, ...]
    compared: tuple[Compared, ...]
    assumptions: tuple[Assumption, ...]
    not_modelled: tuple[str, ...] = NOT_MODELLED
