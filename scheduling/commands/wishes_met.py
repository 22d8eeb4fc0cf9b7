"""How near a run that could be planned comes to what is wished of it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np

from machines.errors import InputError
from machines.model.slots import boundaries
from scheduling.commands.run_wishes import OF_A_PLACE, Wish
from scheduling.paper.next_passage import OnRun, columns_of_phase, phase_of
from scheduling.supplies.part_ends import PartEnd
from scheduling.venues.local_time_text import moment_in_words

HOUR = timedelta(hours=1)
# A part that is changed when it is not wished counts as if an instant was missed by so much, hours.
OF_A_CHANGE_H = 24.0
# What cannot be in a run at all counts as a year, hours.
OF_NEVER_H = 8766.0


@dataclass(frozen=True, kw_only=True)
class Met:
    """How near a run comes to one wish.

    Attributes:
        kept: whether it does what is wished.
        off_h: how far it is from that, hours: from the instant to the nearest burst, strip or length in sight; a day
            for each part that is changed when it should not be. None where it never does it.
        at: the nearest, UTC; None for changes, and where there is none.
        in_words: what it does instead, or that it does it, by the venue's clock.
        why_not_nearer: what keeps it from being nearer, a sentence; None where it does what is wished.
    """

    kept: bool
    off_h: float | None
    at: datetime | None
    in_words: str
    why_not_nearer: str | None = None

    @property
    def counted_h(self) -> float:
        """What it counts as, hours."""
        if self.kept:
            return 0.0
        return OF_NEVER_H if self.off_h is None else self.off_h


def met(wish: Wish, on: OnRun, ends: Sequence[PartEnd]) -> Met:
    """How near a run comes to a wish.

    Args:
        wish: what is wished.
        on: the run on its machine.
        ends: of its rolls and blades.

    Raises:
        InputError: no run on that machine, or of that picture, can do it: names a field of the wish.
    """
    if wish.kind in OF_A_PLACE:
        return _nearest(wish, on, _in_sight(wish, on) if wish.kind == "place-in-sight" else _at_head(wish, on))
    if wish.kind == "strip-falls":
        return _nearest(wish, on, _falls(wish, on))
    return _changes(wish, on, ends)


def _at_head(wish: Wish, on: OnRun) -> Iterator[tuple[datetime, datetime]]:
    """When the burst with the place is laid, near the instant."""
    return ((span.begins_at, span.ends_at) for span in map(on.span, _columns_near(wish, on)))


def _in_sight(wish: Wish, on: OnRun) -> Iterator[tuple[datetime, datetime]]:
    """When the place hangs between head and knife, near the instant."""
    if on.profile.knife is None:
        raise InputError("kind", "the machine has no knife", "ask for place-at-head: what is wound up is out of sight")
    for column in _columns_near(wish, on):
        at_knife = on.at_knife(column)
        yield on.span(column).begins_at, on.run.ends_at if at_knife is None else at_knife.begins_at


def _columns_near(wish: Wish, on: OnRun) -> list[int]:
    """The running columns of the place in the turns about an instant, as far as the run holds them."""
    assert wish.at is not None
    phase, _ = phase_of(on.run, on.profile, wish.place())
    near = np.floor(on.timeline.cycle.turns(np.array([wish.at.timestamp()]))[0] - phase)
    # Of long ways to the knife the place that is in sight was laid some turns before.
    back = on.profile.knife_columns // on.profile.columns_per_turn + 1
    counts = np.arange(near - back, near + 3)
    columns = columns_of_phase(phase, counts, on.profile.columns_per_turn)
    return [int(one) for one in columns if on.run.first_column <= one < on.run.end_column]


def _falls(wish: Wish, on: OnRun) -> Iterator[tuple[datetime, datetime]]:
    """When whole strips are cut off, near the instant."""
    assert wish.at is not None
    run, profile = on.run, on.profile
    if profile.knife is None:
        raise InputError("kind", "the machine has no knife", "leave the wish out, or choose a machine that cuts")
    per_turn = profile.columns_per_turn
    head = min(max(on.timeline.first_column_from(wish.at.timestamp()), run.first_column), run.end_column)
    strip = per_turn // max(run.strips_per_turn, 1) + 1
    under = head - profile.knife_columns
    for boundary in boundaries(under - 3 * strip, under + 3 * strip, per_turn, run.strips_per_turn):
        if boundary - strip >= run.first_column and not on.is_held(boundary):
            cut = on.at_knife(boundary)
            if cut is not None:
                yield cut.begins_at, cut.ends_at


def _nearest(wish: Wish, on: OnRun, spans: Iterator[tuple[datetime, datetime]]) -> Met:
    assert wish.at is not None
    wished = wish.at
    found = min(spans, key=lambda span: _off(wished, *span), default=None)
    if found is None:
        why = "It begins too late for that, or ends too early."
        return Met(kept=False, off_h=None, at=None, in_words="not in this run near then", why_not_nearer=why)
    off = _off(wished, *found)
    begins, ends = (moment_in_words(at, on.clock) for at in found)
    kept = off <= timedelta(seconds=wish.within_s)
    beside = "" if not off else f", {_long(off)} {'before' if found[1] <= wished else 'after'} the wish"
    told = f"from {begins} to {ends}{beside}"
    return Met(kept=kept, off_h=off / HOUR, at=found[0], in_words=told, why_not_nearer=None if kept else _why(wish, on))


def _why(wish: Wish, on: OnRun) -> str:
    """What fixes when a place is laid or hangs, or a strip falls, so that another beginning moves it no nearer."""
    if wish.kind == "strip-falls":
        strips = on.run.strips_per_turn
        if not strips:
            return "It is not cut into strips."
        hours = on.run.mean_turn_s / strips / 3600.0
        return f"With {strips} strips a turn one falls every {hours:.3g} h, at places that the turn fixes."
    hangs = "under the head"
    if wish.kind == "place-in-sight":
        hangs = f"between head and knife for {on.profile.knife_columns * _column_h(on):.3g} h"
    if on.run.cycle == "period":
        return f"Once a turn it is {hangs}; counted from this epoch that is then, and another wish may want it so."
    return f"Once a turn it is {hangs}: when, the sky fixes, and no beginning moves it."


def _column_h(on: OnRun) -> float:
    return float(on.run.mean_turn_s) / on.profile.columns_per_turn / 3600.0


def _long(off: timedelta) -> str:
    """How far it is in words."""
    seconds = off.total_seconds()
    return f"{off / HOUR:.1f} h" if off >= HOUR else f"{seconds / 60:.0f} min" if seconds >= 60 else f"{seconds:.1f} s"


def _off(at: datetime, begins: datetime, ends: datetime) -> timedelta:
    """How far an instant lies from a span; nothing within it."""
    return max(begins - at, at - ends, timedelta(0))


def _changes(wish: Wish, on: OnRun, ends: Sequence[PartEnd]) -> Met:
    wrong = [one for one in ends if not _is_well(wish, on, one)]
    if not wrong:
        count = f"{len(ends)} change{'' if len(ends) == 1 else 's'}"
        return Met(kept=True, off_h=0.0, at=None, in_words=f"{count}, each as wished" if ends else "nothing is changed")
    first = wrong[0]
    others = f", and {len(wrong) - 1} more" if len(wrong) > 1 else ""
    words = f"{first.part}: {first.end.change.in_words}{others}"
    return Met(
        kept=False, off_h=OF_A_CHANGE_H * len(wrong), at=None, in_words=words, why_not_nearer=_why_then(first, on)
    )


def _why_then(one: PartEnd, on: OnRun) -> str:
    """What fixes when a part is changed."""
    at = moment_in_words(one.end.at, on.clock)
    if one.end.change.window is None:
        return f"The {one.part} ends at {at}, and there is no service window before that."
    return f"The {one.part} ends at {at}, and {one.end.change.window.name} is the last service window before that."


def _is_well(wish: Wish, on: OnRun, one: PartEnd) -> bool:
    """Whether a part is changed as wished; one that ends where nobody comes is changed never."""
    window, until = one.end.change.window, one.end.change.until
    if wish.kind == "changes-within":
        return window is not None and wish.holds_time(window.starts_at.astimezone(on.clock))
    assert wish.begins_at is not None and wish.ends_at is not None
    begins, ends = (one.end.at, one.end.at) if window is None or until is None else (window.starts_at, until)
    return ends < wish.begins_at or begins >= wish.ends_at
