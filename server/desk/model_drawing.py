"""A model drawn to scale: its paper from the head on, what a burst lays, and where the knife cuts."""

from __future__ import annotations

from dataclasses import dataclass

from machines.model.profile import Profile
from server.desk.model_words import with_unit

# The drawing is so many units long, whatever the paper.
LONG = 1000.0
HEAD = 6.0


@dataclass(frozen=True)
class Band:
    """A part of the paper, in units from the left end of the drawing."""

    x: float
    width: float


@dataclass(frozen=True)
class Drawing:
    """A model as it is drawn, seen from the front.

    Attributes:
        height: of the paper.
        paper: to the knife, or to the end of a turn.
        strips: what of the turn lies beyond the knife; None where nothing does.
        burst: what is laid at a time.
        head: bar of the head.
        knife: where it cuts; None without one.
        top, tall: of what is printed on.
        caption: what is to be seen, in words.
    """

    height: float
    paper: Band
    strips: Band | None
    burst: Band
    head: Band
    knife: float | None
    top: float
    tall: float
    caption: str


def drawn(profile: Profile) -> Drawing:
    """A model to scale, at least one turn of it."""
    knife_mm = None if profile.knife is None else profile.knife.head_to_knife_mm
    length_mm = max(profile.mm_per_turn, knife_mm or 0.0)
    scale = (LONG - HEAD) / length_mm
    end_mm = length_mm if knife_mm is None else knife_mm

    def band(from_mm: float, to_mm: float) -> Band:
        begins, ends = HEAD + from_mm * scale, HEAD + to_mm * scale
        return Band(*(round(one, 1) for one in (_seen(profile, begins, ends), ends - begins)))

    tall = profile.print_width_mm * scale
    height = profile.media.width_mm * scale
    return Drawing(
        height=round(height, 1),
        paper=band(0.0, end_mm),
        strips=band(end_mm, length_mm) if end_mm < length_mm else None,
        burst=band(0.0, min(length_mm, profile.columns_per_burst * profile.column_pitch_mm)),
        head=Band(_seen(profile, 0.0, HEAD), HEAD),
        knife=None if knife_mm is None else round(_seen(profile, HEAD + end_mm * scale, HEAD + end_mm * scale), 1),
        top=round((height - tall) / 2, 1),
        tall=round(tall, 1),
        caption=_caption(profile, knife_mm),
    )


def _seen(profile: Profile, begins: float, ends: float) -> float:
    """Where something begins from the left: paper that moves to the left has its head at the right."""
    return begins if profile.travel == "right" else LONG - ends


def _caption(profile: Profile, knife_mm: float | None) -> str:
    side = "left" if profile.travel == "right" else "right"
    turn = with_unit(profile.mm_per_turn, "mm")
    if knife_mm is None:
        return f"To scale, from the front: the head is at the {side}, and the paper is wound up. A turn is {turn}."
    distance = with_unit(knife_mm, "mm")
    rest = " The rest of the turn is cut off by then." if knife_mm < profile.mm_per_turn else ""
    return f"To scale, from the front: the head is at the {side}, the knife {distance} on. A turn is {turn}.{rest}"
