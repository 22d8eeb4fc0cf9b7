"""How certain it is what lies on a machine's paper at an instant."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from machines.operator.durations import duration
from machines.protocol.messages import Status
from machines.serialization import structure_lenient
from scheduling.answers.paper_at import PaperAt
from scheduling.paper.pace import pace_of

BY_WHAT = {
    "reported": "This is what was reported.",
    "not-told-yet": "Its board has not told of it yet: this is the plan.",
    "planned": "This is the plan: an outage, or what is said later, makes it otherwise.",
}


@dataclass(frozen=True, kw_only=True)
class PaperCertainty:
    """What may make it otherwise, in time and on the paper.

    Attributes:
        burst_s: how long a burst stands for, seconds; 0 where there is no run.
        burst_mm: how long it is on the paper.
        clock_error_s: how far off the board's clock may be, seconds, as it said last; None where it did not.
        clock_mm: how much paper that is; None likewise.
        slip_mm: how far the paper may be from where it was ordered before it is said to have slipped; None where
            nothing measures it.
        unsure_columns: of what was reported: how many columns near the head may lie there by then, or not.
        late_columns: how many columns are due by then and are not laid, as far as is known.
        in_words: all that, and whether it was reported or is planned.
    """

    burst_s: float
    burst_mm: float
    clock_error_s: float | None
    clock_mm: float | None
    slip_mm: float | None
    unsure_columns: int
    late_columns: int
    in_words: str


def paper_certainty(found: PaperAt) -> PaperCertainty:
    """How certain an answer is."""
    burst, profile = found.due or found.newest, found.context.profile
    pace = None if burst is None else pace_of(burst.on.run, burst.on.profile)
    heartbeat = found.context.heartbeat
    status = structure_lenient(heartbeat.status, Status) if heartbeat is not None and heartbeat.status else None
    error_s = None if status is None else status.clock_error_s
    burst_s, burst_mm = (0.0, 0.0) if pace is None else (pace.burst_s, pace.step_mm)
    clock_mm = error_s * pace.mm_per_hour / 3600.0 if error_s is not None and pace is not None else None
    slip_mm = None if profile.encoder_pitch_mm is None else profile.slip_threshold_mm
    return PaperCertainty(
        burst_s=burst_s,
        burst_mm=burst_mm,
        clock_error_s=error_s,
        clock_mm=clock_mm,
        slip_mm=slip_mm,
        unsure_columns=found.unsure_columns,
        late_columns=found.late_columns,
        in_words=" ".join(_parts(found, burst_s, burst_mm, error_s, slip_mm)),
    )


def _parts(
    found: PaperAt, burst_s: float, burst_mm: float, error_s: float | None, slip_mm: float | None
) -> Iterator[str]:
    yield BY_WHAT[found.source]
    if burst_s:
        yield f"What belongs to {_length(burst_s)} is laid at once, {burst_mm:.2f} mm of paper."
    if found.unsure_columns:
        columns = "1 column" if found.unsure_columns == 1 else f"{found.unsure_columns} columns"
        yield f"Of what was laid about then, {columns} may have been laid somewhat later or earlier."
    if found.source != "reported":
        yield from _held_up(found)
    if error_s is not None:
        yield f"Its board's clock is right to {_length(error_s)}."
    else:
        yield "How far off its board's clock may be, it has not said."
    if slip_mm is not None:
        yield f"Paper that slips is seen from {slip_mm:g} mm on."
    else:
        yield "Nothing measures whether its paper slips."


def _held_up(found: PaperAt) -> Iterator[str]:
    """What holds the plan up, as far as is known now."""
    machine = found.context.machine
    if machine.hold:
        yield "The machine stands now, until a person lets it go on; this holds if that is in time."
    if found.late_columns:
        mm = found.late_columns * found.context.profile.column_pitch_mm
        yield f"It is late by then: {mm:.1f} mm that are due are not laid yet."
    if found.strips and not found.strips[-1].is_reported and not found.context.knife_is_armed:
        yield "Its knife is off: until somebody arms it, nothing is cut off."


def _length(seconds: float) -> str:
    """Of time, in a unit of its size."""
    if seconds >= 60.0:
        return duration(seconds)
    return f"{seconds:.0f} s" if seconds >= 10.0 else f"{seconds:.3f} s"
