"""The choices on an open outage, in words and as a strip of paper."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from machines.operator.language import marked
from machines.recovery import Decision
from scheduling.outages.imagined import RunThere
from scheduling.outages.open_outage import OpenOutage
from scheduling.outages.options import Choice, Choices, RunsInto, Seam
from scheduling.outages.overrides import active_override
from server.console import formatting

BECAUSE = {
    "silence": marked(
        "No word from its node. Whether it prints on, only its journal knows: if it does, nothing is missing."
    ),
    "hold": marked("It stands still until a person at the machine has looked at it and lets it go on."),
    "replay": marked("It is printing late what was missed."),
    "settling": marked("It goes on by itself as soon as it has settled what it missed."),
}
CHOICE_NAMES = {
    None: marked("Say nothing: the run's policy"),
    "skip": marked("Leave out"),
    "blank": marked("Leave out, and feed blank paper"),
    "replay": marked("Print all of it late"),
    "replay-within": marked("Print the newest of it late"),
    "shift": marked("Let the timeline wait"),
}
PART_WORDS = {
    "unknown": marked("perhaps on the paper"),
    "again": marked("printed once more"),
    "finished": marked("finished late"),
    "blank": marked("blank"),
    "late": marked("printed late"),
    "shifted": marked("printed later"),
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
    gap, zone, ratio = all_choices.gap, outage.venue.zone, all_choices.pace.ratio
    return OutagePage(
        machine=outage.machine.name,
        venue=outage.venue.name,
        because=_(BECAUSE[outage.because]),
        decided=_decided(outage, zone),
        since=f"{formatting.date(outage.since, zone)} {formatting.clock_time(outage.since, zone)}",
        missing=_missing(outage, all_choices),
        faster=faster(ratio),
        closed="" if gap.closed else _("Nothing is known of hours in which the venue is closed."),
        options=options_shown(outage, all_choices.choices, now),
    )


def options_shown(there: OpenOutage | RunThere, choices: Sequence[Choice], now: datetime) -> tuple[Option, ...]:
    """Choices in words and as strips, all to one scale.

    Args:
        there: the run, on its machine.
        choices: every way to settle what is missing of it.
        now: when it would be settled, UTC.
    """
    widest = max((sum(len(part.columns) for part in one.parts) for one in choices), default=0)
    scale = (WIDTH - 2 * SIDE) / max(widest, 1)
    return tuple(_option(there, one, now, scale) for one in choices)


def faster(ratio: float) -> str:
    """How much faster than the sky a machine prints."""
    if ratio <= 1:
        return _("no faster than the sky turns")
    return _("{ratio} times as fast as the sky turns").format(ratio=formatting.decimal(f"{ratio:.3g}"))


def _decided(outage: OpenOutage, zone: str) -> str:
    word = active_override(outage.run)
    if word is None:
        return ""
    at = f"{formatting.date(word.given_at, zone)} {formatting.clock_time(word.given_at, zone)}"
    said = _("{choice}, since {when}; its node has not said yet that it follows. A newer decision counts.")
    return said.format(choice=_(CHOICE_NAMES[word.rule.kind]), when=at)


def _missing(outage: OpenOutage, all_choices: Choices) -> str:
    """How much is missing, as far as is known."""
    gap, pace = all_choices.gap, all_choices.pace
    columns = gap.end - gap.unknown_end
    if not columns:
        return _("nothing yet")
    span = formatting.duration(timedelta(seconds=columns / pace.nominal_columns_per_s))
    paper = _mm(columns * outage.profile.column_pitch_mm)
    return _("{columns}, {paper}, {span} of the sky").format(
        columns=formatting.columns(columns), paper=paper, span=span
    )


def _option(outage: OpenOutage | RunThere, one: Choice, now: datetime, scale: float) -> Option:
    kind = None if one.rule is None else one.rule.kind
    decision = one.decision
    if decision is None:
        return Option(kind or "", _(CHOICE_NAMES[kind]), one.problem)
    pieces, cuts = _strip(one, scale)
    seams = tuple(_seam(outage, seam) for seam in one.seams)
    parts = (f"{formatting.columns(len(part.columns))} {_(PART_WORDS[part.kind])}" for part in one.parts)
    drawn = _(", then ").join(parts) or _("nothing")
    return Option(
        kind=kind or "",
        name=_(CHOICE_NAMES[kind]),
        problem="",
        reason=decision.reason,
        left_out=_columns(len(decision.skipped)),
        late=_late(decision),
        paper=_("not known") if decision.paper_mm is None else _mm(decision.paper_mm),
        ink=_("not known") if decision.ink_ml is None else formatting.ink(decision.ink_ml),
        until_true=_until_true(decision, now, outage.venue.zone) + _runs_into(one.runs_into, outage.venue.zone),
        seams=seams,
        pieces=pieces,
        cuts=cuts,
        drawn=_in_words(drawn, len(cuts)),
    )


def _in_words(drawn: str, seams: int) -> str:
    count = ngettext("{number} seam", "{number} seams", seams).format(number=seams) if seams else _("no seams")
    return _("The strip: what was printed before, {parts}, then what is due; {seams}").format(parts=drawn, seams=count)


def _strip(one: Choice, scale: float) -> tuple[tuple[Piece, ...], tuple[float, ...]]:
    """What was printed before, the parts, and what is due, from left to right; and where the seams are."""
    pieces, x = [Piece("before", 0.0, SIDE)], SIDE
    for part in one.parts:
        width = round(len(part.columns) * scale, 1)
        pieces.append(Piece(part.kind, round(x, 1), width))
        x += width
    pieces.append(Piece("due", round(x, 1), SIDE))
    return tuple(pieces), tuple(round(SIDE + seam.place * scale, 1) for seam in one.seams)


def _seam(outage: OpenOutage | RunThere, seam: Seam) -> str:
    columns = outage.profile.columns_per_turn
    before, after = (
        formatting.under_the_head(outage.run.cycle, (column % columns) / columns)
        for column in (seam.before, seam.after)
    )
    place = seam.place * outage.profile.column_pitch_mm
    if not seam.place:
        return _("where printing stopped: {before} meets {after}").format(before=before, after=after)
    said = _("{length} after where printing stopped: {before} meets {after}")
    return said.format(length=_mm(place), before=before, after=after)


def _late(decision: Decision) -> str:
    late = len(decision.again) + len(decision.finished) + len(decision.replayed) + len(decision.shifted)
    said = _columns(late)
    if not decision.again:
        return said
    return _("{columns}, {number} of them once more").format(columns=said, number=len(decision.again))


def _until_true(decision: Decision, now: datetime, zone: str) -> str:
    if decision.shift_s:
        return _("at once; all that follows is {span} later").format(span=formatting.seconds(decision.shift_s))
    if not decision.hours_until_true:
        return _("at once")
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
    said = _(
        ". This run would end {span} after the machine's next one, {run}, is to begin ({when}): that one would begin"
        " late"
    )
    return said.format(span=formatting.duration(following.by), run=following.run, when=begins)


def _columns(number: int) -> str:
    return formatting.columns(number) if number else _("none")


def _mm(length_mm: float) -> str:
    return formatting.decimal(f"{length_mm:.1f}{formatting.NO_BREAK}mm")
