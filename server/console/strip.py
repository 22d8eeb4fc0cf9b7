"""The strip of paper of a machine as a page draws it, to scale along and across, as a viewer in front sees it; what
its numbers are is said in `server.console.strip_scale`."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
from django.urls import reverse

from machines.clock import utc
from scheduling.paper.strip_now import StripNow
from scheduling.queries.venue_context import VenueContext
from scheduling.sky.civil import day_bounds
from server.console import formatting
from server.console.daylight import daylight
from server.console.strip_scale import WIDTH, Box, Drawing, Light, Named, OnPaper, PlateBox, Scale
from server.console.time_marks import TimeMark, time_marks

MARKS, MARKS_APART = 10, 8.0
LONGEST_DAYLIGHT = timedelta(days=12)
# An opening further on than this, per cent, has its name before it.
NEAR_THE_EDGE = 66.0


@dataclass(frozen=True, kw_only=True)
class DrawnStrip(OnPaper):
    """A strip, drawn.

    Attributes:
        laid: the picture of what was reported.
        fresh, to_come: the windows in which the plates of what was laid since, and of what is to come, are seen.
        turns: those plates.
        gone: what was cut off.
        due: where the head belongs, where it is late.
        knife: None where there is none, or it is out of sight.
        lights, marks: the light of the day and the local time along it.
        above, below: what is named.
        said: the same in words.
    """

    laid: Box
    fresh: Box
    to_come: Box
    turns: tuple[PlateBox, ...]
    gone: Box | None
    head: float
    due: float | None
    knife: float | None
    cuts: tuple[tuple[float, str], ...]
    openings: tuple[float, ...]
    lights: tuple[Light, ...]
    marks: tuple[Named, ...]
    above: tuple[Named, ...]
    below: tuple[Named, ...]
    said: str

    @property
    def tick(self) -> float:
        """Where the mark of a cut to come begins."""
        return round(0.86 * self.height, 1)


@dataclass(frozen=True)
class _On(Drawing):
    """Where the places of a strip stand."""

    strip: StripNow


def drawn_strip(machine: str, strip: StripNow, scale: Scale, there: VenueContext, due: int | None) -> DrawnStrip:
    """A strip of a machine.

    Args:
        machine: its id.
        strip: its paper.
        scale: see `scale_of`.
        there: where it stands.
        due: the running column that belongs under the head, where another is there.
    """
    on = _On(strip.head, strip.profile.travel == "right", scale, strip)
    # Before anything is printed the paper hangs from the head to the knife.
    threaded = min(0, strip.head - strip.profile.knife_columns)
    begins, beyond = max(threaded, strip.head - scale.behind), strip.head + scale.ahead
    openings = list(_openings(on, there))
    knife = _knife(on)
    due_x = None if due is None else on.x(strip.place_of(due))
    return DrawnStrip(
        height=scale.height,
        margin=scale.margin,
        inner=round(scale.height - 2 * scale.margin, 1),
        laid=on.whole(strip.known - scale.behind, strip.known),
        fresh=on.box(strip.known, strip.head),
        to_come=on.box(strip.head, beyond),
        turns=tuple(_turns(machine, on)),
        paper=on.box(begins, beyond),
        gone=on.box(begins, strip.cut_off) if strip.cut_off > begins else None,
        head=on.head,
        due=due_x if due_x is not None and 0 < due_x < WIDTH else None,
        knife=knife,
        cuts=tuple(_cuts(on)),
        openings=tuple(x for x, _ in openings),
        lights=tuple(_lights(on, there)),
        marks=tuple(_marks(on, there)),
        above=tuple(_above(on, openings)),
        below=tuple(_below(on, knife)),
        said=_said(on),
    )


def _turns(machine: str, on: _On) -> Iterator[PlateBox]:
    strip = on.strip
    if strip.run is None:
        return
    per_turn = strip.profile.columns_per_turn
    for number, plate in sorted(strip.plates.items()):
        box = on.whole(strip.place_of(number * per_turn), strip.place_of((number + 1) * per_turn))
        yield PlateBox(box.x, box.width, reverse("plate-picture", args=[machine, plate]))


def _knife(on: _On) -> float | None:
    if on.strip.profile.knife is None:
        return None
    x = on.x(on.strip.head - on.strip.profile.knife_columns)
    return x if 0 < x < WIDTH else None


def _cuts(on: _On) -> Iterator[tuple[float, str]]:
    for place, made in on.strip.cuts:
        x = on.x(place)
        if 0 < x < WIDTH:
            yield x, "cut" if made else "uncut" if made is False else "boundary"


def _span(on: _On) -> tuple[datetime, datetime] | None:
    """From when to when the paper in sight belongs under the head."""
    strip = on.strip
    if len(strip.places) < 2:
        return None
    first = max(strip.head - on.scale.behind, float(strip.places[0]))
    end = min(strip.head + on.scale.ahead, float(strip.places[-1]))
    begins, ends = np.interp([first, end], strip.places, strip.instants)
    return (utc(float(begins)), utc(float(ends))) if ends > begins else None


def _at(on: _On, at: datetime) -> float:
    """Where an instant stands, units."""
    return on.x(float(np.interp(at.timestamp(), on.strip.instants, on.strip.places)))


def _lights(on: _On, there: VenueContext) -> Iterator[Light]:
    span = _span(on)
    if span is None or span[1] - span[0] > LONGEST_DAYLIGHT:
        return
    at, ends = span
    while at < ends:
        day = daylight(there.place, there.venue.zone, at)
        for one in day.stretches:
            a, b = sorted((_at(on, max(one.begins, span[0])), _at(on, min(one.ends, ends))))
            if one.ends > span[0] and one.begins < ends and b > a:
                yield Light(on.percent(a), on.percent(b - a), one.light)
        at = day_bounds(at.astimezone(there.clock).date() + timedelta(days=1), there.clock)[0]


def _marks(on: _On, there: VenueContext) -> Iterator[Named]:
    span = _span(on)
    if span is None:
        return
    last = None
    for mark in time_marks(*span, there.clock, MARKS):
        x = on.percent(_at(on, mark.at))
        # Where the paper stood still, hours stand on top of each other.
        if 2 < x < 98 and (last is None or abs(x - last) >= MARKS_APART):
            last = x
            yield Named(x, mark.text, "middle", _kind(mark))


def _kind(mark: TimeMark) -> str:
    return "day" if mark.is_day else "hour"


def _openings(on: _On, there: VenueContext) -> Iterator[tuple[float, str]]:
    span = _span(on)
    if span is None:
        return
    for row in there.openings:
        if span[0] <= row.opens_at <= span[1]:
            local, time = row.opens_at.astimezone(there.clock), formatting.clock_time(row.opens_at, there.venue.zone)
            yield (
                _at(on, row.opens_at),
                f"{row.name}, {local:%a} {time}",
            )


def _above(on: _On, openings: list[tuple[float, str]]) -> Iterator[Named]:
    for x, text in openings:
        at = on.percent(x)
        yield Named(at, text, "end" if at > NEAR_THE_EDGE else "start", "opening")
    for first, end in on.strip.blank:
        box = on.box(first, end)
        if box.width:
            yield Named(on.percent(box.x + box.width / 2), "missing", "middle", "missing")


def _below(on: _On, knife: float | None) -> Iterator[Named]:
    """What is beyond the head is on the one side of its name, the knife on the other of its own."""
    yield Named(on.percent(on.head), "the head", "end" if on.mirrored else "start", "head")
    if knife is not None:
        yield Named(on.percent(knife), "the knife", "start" if on.mirrored else "end", "knife")
        return
    cutter = on.strip.profile.knife
    text = "to the spool" if cutter is None else f"the knife, {cutter.head_to_knife_mm / 1000:.1f} m from the head"
    yield Named(99.5 if on.mirrored else 0.5, text, "end" if on.mirrored else "start", "knife")


def _said(on: _On) -> str:
    strip, span = on.strip, _span(on)
    if span is None:
        return "Its paper: nothing is on it, and nothing is to come."
    pitch = strip.profile.column_pitch_mm
    parts = ["Its paper to scale: what was laid, the head, and paler what is to come"]
    missing = sum(end - first for first, end in strip.blank)
    if missing:
        parts.append(f"{missing * pitch:.0f} mm are missing, hatched")
    if strip.left_out:
        parts.append(f"columns were left out at {len(strip.left_out)} places, marked by lines")
    return "; ".join(parts) + "."
