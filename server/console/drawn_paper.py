"""The paper of a machine at an instant as a page draws it: from the head to the knife, and what has passed that, paler
where it was cut off; to the scale of `server.console.strip_scale`, as a viewer in front sees it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import reduce
from operator import or_

import numpy as np
from django.db.models import Q
from django.urls import reverse

from machines.clock import utc
from machines.model.profile import Profile
from scheduling.answers.paper_at import PaperAt
from scheduling.log.models import Segment
from scheduling.paper.strip_now import Laid
from server.console import formatting
from server.console.strip_scale import WIDTH, Box, Drawing, Named, OnPaper, PlateBox, scale_of

# Times nearer to each other than this, per cent, are not both told; nor is one so near to an edge.
MARKS_APART, NEAR_THE_EDGE = 9.0, 4.0
# So many of a length of paper are tried.
MARKS_A_LENGTH = 9


@dataclass(frozen=True)
class DrawnPiece:
    """Columns of one turn that lie side by side, and the plate that they are of; None where it is not drawn yet."""

    box: Box
    plate: PlateBox | None


@dataclass(frozen=True, kw_only=True)
class DrawnPaper(OnPaper):
    """A machine's paper at an instant, drawn; units as of `server.console.strip`.

    Attributes:
        pieces: what lies on it.
        knife: None where there is none, or it is out of sight.
        gone: what was cut off; None for nothing in sight.
        cuts: where it was cut.
        marks: when what lies there was due, by the venue's clock.
        said: the same in words.
    """

    pieces: tuple[DrawnPiece, ...]
    head: float
    knife: float | None
    gone: Box | None
    cuts: tuple[float, ...]
    marks: tuple[Named, ...]
    below: tuple[Named, ...]
    said: str


@dataclass(frozen=True)
class _On(Drawing):
    """Where the places of an answer stand."""

    found: PaperAt


def in_sight(profile: Profile) -> int:
    """How many columns of paper behind the head are drawn."""
    return scale_of(profile).behind


def drawn_paper(found: PaperAt, turns: Mapping[str, str] = {}) -> DrawnPaper:  # it is only read
    """An answer, drawn; it should reach as far back as is `in_sight`.

    Args:
        found: it.
        turns: addresses of a picture of one turn, by run, of runs without plates.
    """
    profile = found.context.model
    on = _On(found.head, profile.travel == "right", scale_of(profile), found)
    laid = tuple(one for one in found.laid if on.box(one.place, one.end_place).width)
    begins = min([found.head - found.reach, *(one.place for one in laid)])
    gone = on.box(begins, found.cut_off)
    knife = None if profile.knife is None else on.x(found.head - profile.knife_columns)
    return DrawnPaper(
        height=on.scale.height,
        margin=on.scale.margin,
        inner=round(on.scale.height - 2 * on.scale.margin, 1),
        paper=on.box(begins, found.head),
        pieces=tuple(_pieces(on, laid, _plates(laid), turns)),
        head=on.head,
        knife=knife if knife is not None and 0.0 < knife < WIDTH else None,
        gone=gone if found.cut is not None and found.cut_off > begins and gone.width else None,
        cuts=tuple(_cuts(on, laid)),
        marks=tuple(_marks(on, laid)),
        below=tuple(_below(on, knife)),
        said=_said(found),
    )


def _plates(laid: tuple[Laid, ...]) -> Mapping[tuple[str, int], str]:
    """Digests of the plates, by run and the segment's first column."""
    if not laid:
        return {}
    near = reduce(or_, (Q(run_id=one.run, first_column__lt=one.end, end_column__gt=one.first) for one in laid))
    rows = Segment.objects.filter(near).exclude(state=Segment.WITHDRAWN)
    return {(run, first): plate for run, first, plate in rows.values_list("run_id", "first_column", "plate")}


def _pieces(
    on: _On, laid: tuple[Laid, ...], plates: Mapping[tuple[str, int], str], turns: Mapping[str, str]
) -> Iterator[DrawnPiece]:
    for one in laid:
        per_turn = on.found.on_runs[one.run].profile.columns_per_turn
        of_turn = {first // per_turn: plate for (run, first), plate in plates.items() if run == one.run}
        for turn in range(one.first // per_turn, (one.end - 1) // per_turn + 1):
            first, end = max(one.first, turn * per_turn), min(one.end, (turn + 1) * per_turn)
            box = on.box(one.place + first - one.first, one.place + end - one.first)
            if box.width:
                digest = of_turn.get(turn)
                drawn = turns.get(one.run) if digest is None else _plate_picture(on, digest)
                yield DrawnPiece(box, _plate(on, one, turn * per_turn, per_turn, drawn))


def _plate_picture(on: _On, digest: str) -> str:
    return reverse("plate-picture", args=[on.found.context.machine.id, digest])


def _plate(on: _On, one: Laid, start: int, per_turn: int, drawn: str | None) -> PlateBox | None:
    if drawn is None:
        return None
    place = one.place + start - one.first
    box = on.whole(place, place + per_turn)
    return PlateBox(box.x, box.width, drawn)


def _cuts(on: _On, laid: tuple[Laid, ...]) -> Iterator[float]:
    """Where the strips end that were cut off."""
    for strip in on.found.strips:
        for one in laid:
            if one.run == strip.on.run.id and one.first <= strip.end < one.end:
                x = on.x(one.place + strip.end - one.first)
                if 0.0 < x < WIDTH:
                    yield x


def _marks(on: _On, laid: tuple[Laid, ...]) -> Iterator[Named]:
    """The times at which some of each length is due, the newest first."""
    told: list[float] = []
    there = on.found.context.at_venue
    for one in reversed(laid):
        edges = np.linspace(one.end, one.first, MARKS_A_LENGTH).round().astype(np.int64)
        instants = on.found.on_runs[one.run].instants(edges)
        for column, at in zip(edges.tolist(), map(utc, instants.tolist()), strict=True):
            place = one.place + column - one.first
            x = on.percent(on.x(place))
            if NEAR_THE_EDGE < x < 100 - NEAR_THE_EDGE and all(abs(x - other) >= MARKS_APART for other in told):
                told.append(x)
                yield Named(x, f"{at.astimezone(there.clock):%a} {formatting.clock_time(at, there.venue.zone)}")


def _below(on: _On, knife: float | None) -> Iterator[Named]:
    yield Named(on.percent(on.head), "the head", "end" if on.mirrored else "start", "head")
    if knife is not None and 0.0 < knife < WIDTH:
        yield Named(on.percent(knife), "the knife", "start" if on.mirrored else "end", "knife")


def _said(found: PaperAt) -> str:
    pitch = found.context.profile.column_pitch_mm
    printed = sum(one.end - one.first for one in found.hangs) * pitch
    where = "between head and knife" if found.context.model.knife is not None else "on the last turn's length"
    return f"The paper to scale: {printed:.0f} mm of {found.reach * pitch:.0f} mm {where} are printed."
