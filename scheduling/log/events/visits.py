"""What people say of who comes to a venue, and when: openings, their series, service windows. See
`scheduling.log.events`."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any, ClassVar

from scheduling.planning.recurrence import Together
from scheduling.planning.service_windows import Comes


@dataclass(frozen=True, kw_only=True)
class OpeningFixed:
    """Doors open at an instant; the anchor is how the curator named it. Fixed again, it is what it is now: moved, named
    otherwise, or standing again after it was called off.

    Attributes:
        closing, closes_at: when it is over, where that was said.
        remark: digest of why it was changed, see `scheduling.log.remarks`.
        series: id of the one that it is of; None for none.
        series_date: local date of that series' rule for which it stands; None where it has none.
        on_its_own: whether it was changed by itself, and follows its series no more.
    """

    stream: ClassVar[str] = "opening"
    venue: str
    name: str
    anchor: dict[str, Any]
    opens_at: datetime
    closing: dict[str, Any] | None = None
    closes_at: datetime | None = None
    remark: str | None = None
    series: str | None = None
    series_date: str | None = None
    on_its_own: bool = False


@dataclass(frozen=True, kw_only=True)
class OpeningCalledOff:
    """Doors do not open; the remark is the digest of why, see `scheduling.log.remarks`."""

    stream: ClassVar[str] = "opening"
    remark: str | None = None


@dataclass(frozen=True, kw_only=True)
class OpeningSeriesFixed:
    """Openings that recur, or are held at several venues; each of them is told of by itself. Fixed again, it is what it
    is now, or stands again after it was called off.

    Attributes:
        rule: of RFC 5545, by which it recurs; None where it is once.
        dates_off: local dates on which it is not.
        anchor, closing: of the first.
        together: how those at several venues belong together.
        remark: digest of why it was changed, see `scheduling.log.remarks`.
    """

    stream: ClassVar[str] = "series"
    name: str
    venues: tuple[str, ...]
    together: Together
    anchor: dict[str, Any]
    closing: dict[str, Any] | None
    rule: str | None
    dates_off: tuple[str, ...]
    remark: str | None = None


@dataclass(frozen=True, kw_only=True)
class OpeningSeriesCalledOff:
    """What is to come of a series is not held; the remark is the digest of why, see `scheduling.log.remarks`."""

    stream: ClassVar[str] = "series"
    remark: str | None = None


@dataclass(frozen=True, kw_only=True)
class ServiceWindowFixed:
    """Somebody with hands will be at a venue, once or every week. Fixed again, it is what it is now: moved, named
    otherwise, or standing again after it was called off.

    Attributes:
        begins_at: of one that comes once, the instant that its anchor names; None for a weekly one.
        dates_off: local dates on which a weekly one does not begin, in order.
        remark: digest of why it was changed, see `scheduling.log.remarks`.
    """

    stream: ClassVar[str] = "service"
    venue: str
    name: str
    comes: Comes
    begins_at: datetime | None
    dates_off: tuple[str, ...] = ()
    remark: str | None = None


@dataclass(frozen=True, kw_only=True)
class ServiceWindowCalledOff:
    """Nobody will come in a service window any more, or not on one date.

    Attributes:
        reason: why, in the person's words, where it was said before there were remarks.
        remark: digest of why, see `scheduling.log.remarks`.
        date: local date on which a weekly window does not begin; None for the whole window.
    """

    stream: ClassVar[str] = "service"
    reason: str | None = None
    remark: str | None = None
    date: str | None = None


VisitEvent = (
    OpeningFixed
    | OpeningCalledOff
    | OpeningSeriesFixed
    | OpeningSeriesCalledOff
    | ServiceWindowFixed
    | ServiceWindowCalledOff
)
