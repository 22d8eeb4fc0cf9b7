"""The choices on an open outage, in words and as a strip of paper."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from machines.recovery import Decision
from scheduling.outages.open_outage import OpenOutage
from scheduling.outages.options import Choice, Choices, RunsInto, Seam
from scheduling.outages.overrides import active_override
from server.console import formatting

BECAUSE = {
    "silence": "No word from its node. Whether it prints on, only its journal knows: if it does, nothing is missing.",
    "hold": "It stands still until a person at the machine has looked at it and lets it go on.",
    "replay": "It is printing late what was missed.",
}
CHOICE_NAMES = {
    None: "Say nothing: the run's policy",
    "skip": "Leave out",
    "blank": "Leave out, and feed blank paper",
    "replay": "Print all of it late",
    "replay-within": "Print the newest of it late",
    "shift": "Let the timeline wait",
}
PART_WORDS = {
    "unknown": "perhaps on the paper",
    "again": "printed once more",
    "finished": "finished late",
    "blank": "blank",
    "late": "printed late",
    "shifted": "printed later",
}
# The strip is drawn so many units wide, of which each side of what was missed has so many.
WIDTH, SIDE = 1000.0, 90.0


@dataclass(frozen=True)
class Piece:
    """A part of the strip, as drawn."""

    kind: str
    x: float
    width: float


@dataclass(frozen=True)
class Option:
    """A choice, in words.

    Attributes:
        kind: to choose it by; empty for the policy, which is chosen by saying nothing.
        problem: why it cannot be chosen; empty where it can.
        pieces, cuts: of the strip: what lies there, and where seams are.
        drawn: the strip in words.
    """

    kind: str
    name: str
    problem: str
    reason: str = ""
    left_out: str = ""
    late: str = ""
    paper: str = ""
    ink: str = ""
    until_true: str = ""
    seams: tuple[str, ...] = ()
    pieces: tuple[Piece, ...] = ()
    cuts: tuple[float, ...] = ()
    drawn: str = ""


@dataclass(frozen=True)
class OutagePage:
    """What is open, and every option.

    Attributes:
        decided: what was decided and waits for the node to follow it; empty for nothing.
    """

    machine: str
    venue: str
    because: str
    decided: str
    since: str
    missing: str
    faster: str
    closed: str
    options: tuple[Option, ...]


def outage_page(outage: OpenOutage, all_choices: Choices, now: datetime) -> OutagePage:
    """An open outage and its choices, as the page shows them."""
    gap = all_choices.gap
    widest = max((sum(len(part.columns) for part in one.parts) for one in all_choices.choices), default=0)
    scale = (WIDTH - 2 * SIDE) / max(widest, 1)
    zone, ratio = outage.venue.zone, all_choices.pace.ratio
    return OutagePage(
        machine=outage.machine.name,
        venue=outage.venue.name,
        because=BECAUSE[outage.because],
        decided=_decided(outage, zone),
        since=f"{formatting.date(outage.since, zone)} {formatting.clock_time(outage.since, zone)}",
        missing=_missing(outage, all_choices),
        faster=f"{ratio:.3g} times as fast as the sky turns" if ratio > 1 else "no faster than the sky turns",
        closed="" if gap.closed else "Nothing is known of hours in which the venue is closed.",
        options=tuple(_option(outage, one, now, scale) for one in all_choices.choices),
    )


def _decided(outage: OpenOutage, zone: str) -> str:
    word = active_override(outage.run)
    if word is None:
        return ""
    at = f"{formatting.date(word.given_at, zone)} {formatting.clock_time(word.given_at, zone)}"
    name = CHOICE_NAMES[word.rule.kind]
    return f"{name}, since {at}; its node has not said yet that it follows. A newer decision counts."


def _missing(outage: OpenOutage, all_choices: Choices) -> str:
    """How much is missing, as far as is known."""
    gap, pace = all_choices.gap, all_choices.pace
    columns = gap.end - gap.unknown_end
    if not columns:
        return "nothing yet"
    span = formatting.duration(timedelta(seconds=columns / pace.nominal_columns_per_s))
    return f"{formatting.columns(columns)}, {_mm(columns * outage.profile.column_pitch_mm)}, {span} of the sky"


def _option(outage: OpenOutage, one: Choice, now: datetime, scale: float) -> Option:
    kind = None if one.rule is None else one.rule.kind
    decision = one.decision
    if decision is None:
        return Option(kind or "", CHOICE_NAMES[kind], one.problem)
    pieces, cuts = _strip(one, scale)
    seams = tuple(_seam(outage, seam) for seam in one.seams)
    drawn = (
        ", then ".join(f"{formatting.columns(len(part.columns))} {PART_WORDS[part.kind]}" for part in one.parts)
        or "nothing"
    )
    return Option(
        kind=kind or "",
        name=CHOICE_NAMES[kind],
        problem="",
        reason=decision.reason,
        left_out=_columns(len(decision.skipped)),
        late=_late(decision),
        paper="not known" if decision.paper_mm is None else _mm(decision.paper_mm),
        ink="not known" if decision.ink_ml is None else formatting.ink(decision.ink_ml),
        until_true=_until_true(decision, now, outage.venue.zone) + _runs_into(one.runs_into, outage.venue.zone),
        seams=seams,
        pieces=pieces,
        cuts=cuts,
        drawn=f"The strip: what was printed before, {drawn}, then what is due; {len(cuts) or 'no'} seams",
    )


def _strip(one: Choice, scale: float) -> tuple[tuple[Piece, ...], tuple[float, ...]]:
    """What was printed before, the parts, and what is due, from left to right; and where the seams are."""
    pieces, x = [Piece("before", 0.0, SIDE)], SIDE
    for part in one.parts:
        width = round(len(part.columns) * scale, 1)
        pieces.append(Piece(part.kind, round(x, 1), width))
        x += width
    pieces.append(Piece("due", round(x, 1), SIDE))
    return tuple(pieces), tuple(round(SIDE + seam.place * scale, 1) for seam in one.seams)


def _seam(outage: OpenOutage, seam: Seam) -> str:
    columns = outage.profile.columns_per_turn
    before, after = (
        formatting.under_the_head(outage.run.cycle, (column % columns) / columns)
        for column in (seam.before, seam.after)
    )
    place = seam.place * outage.profile.column_pitch_mm
    where = "where printing stopped" if not seam.place else f"{_mm(place)} after where printing stopped"
    return f"{where}: {before} meets {after}"


def _late(decision: Decision) -> str:
    late = len(decision.again) + len(decision.finished) + len(decision.replayed) + len(decision.shifted)
    said = _columns(late)
    return f"{said}, {len(decision.again)} of them once more" if decision.again else said


def _until_true(decision: Decision, now: datetime, zone: str) -> str:
    if decision.shift_s:
        return f"at once; all that follows is {formatting.seconds(decision.shift_s)} later"
    if not decision.hours_until_true:
        return "at once"
    seconds = decision.hours_until_true * 3600.0
    span = formatting.seconds(seconds)
    if seconds >= formatting.CENTURY_S:
        return span
    at = now + timedelta(seconds=seconds)
    return f"{span}; {formatting.date(at, zone)} {formatting.clock_time(at, zone)}"


def _runs_into(following: RunsInto | None, zone: str) -> str:
    if following is None:
        return ""
    begins = f"{formatting.date(following.starts_at, zone)} {formatting.clock_time(following.starts_at, zone)}"
    return (
        f". This run would end {formatting.duration(following.by)} after the machine's next one, {following.run}, is to"
        f" begin ({begins}): that one would begin late"
    )


def _columns(number: int) -> str:
    return formatting.columns(number) if number else "none"


def _mm(length_mm: float) -> str:
    return f"{length_mm:.1f}{formatting.NO_BREAK}mm"
