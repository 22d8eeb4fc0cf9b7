"""How far the log has come with what moves anything that was planned or worked out from it.

What is worked out from the views, and not from what printing as planned tells, holds as long as this stays the same.
"""

from __future__ import annotations

from dataclasses import dataclass

from scheduling.log.folding import broken_views
from scheduling.log.models import Event, FoldedAgain

# What a machine tells as long as all goes as planned.
AS_PLANNED = ("columns-printed", "strip-cut")


@dataclass(frozen=True)
class Moved:
    """The newest event that moved something; which views stand still, and so show less than the log holds; and which
    were put right since, how often."""

    position: int
    digest: str
    set_aside: tuple[str, ...]
    put_right: tuple[tuple[str, int], ...]


def moved(*, using: str = "default") -> Moved:
    """How things stand."""
    moving = Event.objects.using(using).exclude(kind__in=AS_PLANNED).order_by("-position")
    position, digest = moving.values_list("position", "digest").first() or (0, "")
    again = FoldedAgain.objects.using(using).order_by("view").values_list("view", "times")
    return Moved(position, digest, tuple(sorted(broken_views(using=using))), tuple(again))
