"""How far the log has come with what moves anything that was planned or worked out from it.

What is worked out from the views, and not from what printing as planned tells, holds as long as this stays the same.
"""

from __future__ import annotations

from dataclasses import dataclass

from machines.protocol.journal_entries import ColumnsPrinted, StripCut
from scheduling.log.events import EVENT_KINDS
from scheduling.log.models import Event, FoldedAgain
from scheduling.log.projecting.projector import broken_views

# What a machine tells as long as all goes as planned.
AS_PLANNED = (EVENT_KINDS[ColumnsPrinted], EVENT_KINDS[StripCut])


@dataclass(frozen=True)
class Views:
    """Which views stand still, and so show less than the log holds; and which were put right since, how often."""

    set_aside: tuple[str, ...]
    put_right: tuple[tuple[str, int], ...]


@dataclass(frozen=True)
class Moved:
    """The newest event that moved something, and how the views stand."""

    position: int
    digest: str
    views: Views


def moved(*, using: str = "default") -> Moved:
    """How things stand."""
    moving = Event.objects.using(using).exclude(kind__in=AS_PLANNED).order_by("-position")
    position, digest = moving.values_list("position", "digest").first() or (0, "")
    return Moved(position, digest, views(using=using))


def views(*, using: str = "default") -> Views:
    """How the views stand."""
    again = FoldedAgain.objects.using(using).order_by("view").values_list("view", "times")
    return Views(tuple(sorted(broken_views(using=using))), tuple(again))
