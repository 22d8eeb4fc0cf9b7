"""A machine's paper at an instant in sentences, by the venue's clock or by another that was asked for."""

from __future__ import annotations

from collections.abc import Iterator

from scheduling.answers.paper_at_told import ColumnsTold, HangingTold, MomentTold, PaperTold, SpanTold, StripTold


def sentences(told: PaperTold, zone: str | None) -> Iterator[str]:
    """What an answer says, but for how certain it is.

    Args:
        told: the answer.
        zone: one of the clocks that were asked for; None for the venue's.
    """
    yield under_the_head(told, zone)
    if told.due is not None and told.due != told.newest:
        yield f"By the plan there belongs {columns_in_words(told.due, zone)}."
    if told.rests:
        yield "Its run rests then: people hold it, or the venue is closed."
    yield from hanging(told, zone)
    if told.past_knife:
        mm = sum(one.columns.length_mm for one in told.past_knife)
        told_of = "; ".join(columns_in_words(one.columns, zone) for one in told.past_knife)
        yield f"Past the knife and not cut off, {mm:.0f} mm: {told_of}."
    if told.strips_cut is not None:
        newest = f"; the newest {len(told.strips)}" if 0 < len(told.strips) < told.strips_cut else ""
        yield f"{on_the_floor(told)}{newest}{':' if told.strips else '.'}"
    yield from (strip_in_words(one, zone) for one in reversed(told.strips))


def under_the_head(told: PaperTold, zone: str | None) -> str:
    """What was laid last by then."""
    if told.newest is None:
        return "Under the head: nothing was laid by then."
    return f"Under the head: {columns_in_words(told.newest, zone)}."


def hanging(told: PaperTold, zone: str | None) -> Iterator[str]:
    """What lies between head and knife, the newest first."""
    where = "Between head and knife" if told.has_knife else "On the last turn's length of paper, which is wound up"
    if not told.hangs:
        yield f"{where}: blank paper."
        return
    for one in reversed(told.hangs):
        yield f"{where}, {from_head(one)}: {columns_in_words(one.columns, zone)}."
    if told.blank_mm >= 0.5:
        yield f"{told.blank_mm:.0f} mm of it are blank."


def from_head(one: HangingTold) -> str:
    """How far from the head it lies."""
    return f"{one.from_head_mm:.0f} to {one.from_head_mm + one.columns.length_mm:.0f} mm from the head"


def on_the_floor(told: PaperTold) -> str:
    """How many strips were cut off, without a full stop."""
    number = "no strip" if not told.strips_cut else "1 strip" if told.strips_cut == 1 else f"{told.strips_cut} strips"
    times = "once" if told.cut_by_hand == 1 else f"{told.cut_by_hand} times"
    return f"Cut off by then: {number}{f', and {times} by hand' if told.cut_by_hand else ''}"


def strip_in_words(one: StripTold, zone: str | None) -> str:
    """A strip and when it is cut off."""
    done = "was cut" if one.is_reported else "is cut by the plan"
    return f"{columns_in_words(one.columns, zone)}; {done} {span_by(one.cut, zone)}"


def columns_in_words(columns: ColumnsTold, zone: str | None) -> str:
    """Which place of the picture columns are, and when they are due."""
    return f"{place_in_words(columns)}, due {span_by(columns.due, zone)}"


def place_in_words(columns: ColumnsTold) -> str:
    """Which place of the picture columns are. From a turn on they begin and end anywhere, and how long they are is said
    first."""
    length = "" if columns.turns < 1.0 else "a whole turn, " if columns.turns == 1.0 else f"{columns.turns:.1f} turns, "
    if columns.first_longitude is not None and columns.end_longitude is not None:
        first, end = (_longitude(one) for one in (columns.first_longitude, columns.end_longitude))
        return f"{length}longitude {first} to {end} {columns.stands}"
    return f"{length}phase {columns.first_phase:.3f} to {columns.end_phase:.3f} of turn {columns.turn}"


def _longitude(degrees: float) -> str:
    """Such as ``150.0° W``."""
    tenths = round(degrees * 10) / 10
    half = "" if abs(tenths) in (0.0, 180.0) else " E" if tenths > 0 else " W"
    return f"{abs(tenths):.1f}°{half}"


def span_by(span: SpanTold, zone: str | None) -> str:
    """A span by one of its clocks; that of the venue where none is named."""
    return next((one.in_words for one in span.by_clocks if one.zone == zone), span.in_words)


def moment_by(moment: MomentTold, zone: str | None) -> str:
    """An instant likewise."""
    return next((one.in_words for one in moment.by_clocks if one.zone == zone), moment.in_words)
