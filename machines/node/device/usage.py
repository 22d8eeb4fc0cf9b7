"""What is left of paper, ink and blade, as the node counts it since each was changed. A count, not a look: a roll that
was not full, or a change that nobody told, makes it wrong.

What idle firing takes is reckoned as if it went on in quiet hours, too, which a board knows of for a few days only:
there is rather more ink than is counted here. The server's count leaves them out.
"""

from __future__ import annotations

from dataclasses import dataclass

from machines.imaging.patterns import Dots
from machines.model.head import HeadPlan
from machines.model.profile import CarriageHead, Profile
from machines.model.supplies import ML_PER_PL, idle_ml
from machines.node.store.journal import State


@dataclass(frozen=True, kw_only=True)
class RemainingSupplies:
    """By count; below 0 where more was used than there can have been.

    Attributes:
        paper_m: on the roll.
        ink_used_ml: since the cartridge was changed, with what idle firing takes; None where there is no ink.
        ink_ml: in the cartridge; None where there is no ink, or nobody said how much a new one holds.
        cuts: until the blade is dull; None where there is no knife.
    """

    paper_m: float
    ink_used_ml: float | None
    ink_ml: float | None
    cuts: int | None


def remaining_supplies(state: State, profile: Profile, now: float | None) -> RemainingSupplies:
    """What is left; ``now`` by the server, POSIX seconds, None where it is not known: then nothing was fired idly."""
    paper_m = profile.media.roll_m - (state.paper_position - state.roll_place) * profile.column_pitch_mm / 1000.0
    cuts = None if profile.knife is None else profile.knife.cuts_per_blade - state.blade_cuts
    head = profile.head
    if not isinstance(head, CarriageHead):
        return RemainingSupplies(paper_m=paper_m, ink_used_ml=None, ink_ml=None, cuts=cuts)
    used_ml = state.drops * head.drop_pl * ML_PER_PL
    if head.idle_firing is not None and now is not None and state.drops_since is not None:
        used_ml += idle_ml(head, max(0.0, now - state.drops_since), head.idle_firing)
    ink_ml = None if head.cartridge_ml is None else head.cartridge_ml - used_ml
    return RemainingSupplies(paper_m=paper_m, ink_used_ml=used_ml, ink_ml=ink_ml, cuts=cuts)


def drops_of(dots: Dots | HeadPlan, profile: Profile) -> int:
    """How many drops a head fires for some dots, or by a plan of it; 0 for one that has no ink."""
    if not isinstance(profile.head, CarriageHead):
        return 0
    if isinstance(dots, HeadPlan):
        return int(dots.drops().sum())
    return int(dots.sum()) * profile.head.passes
