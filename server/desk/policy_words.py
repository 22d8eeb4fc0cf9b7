"""An outage under each policy, in words and as strips of paper."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from machines.serialization import structure
from scheduling.outages.hanging import Hanging
from scheduling.outages.imagined import RunThere
from scheduling.outages.options import Choice, parts_of, seams
from scheduling.outages.policies_compared import PoliciesCompared, SettledBy
from server.console import formatting
from server.console.choices import Option, Piece, options_shown

BY_POLICY = "The run's own policy"
STANDING = {
    "still": "nothing is laid",
    "late": "it prints late",
    "true": "true to the sky",
    "over": "the run is over",
}
# What hangs is drawn so many units wide.
WIDTH = 1000.0


@dataclass(frozen=True)
class AtOpening:
    """What hangs at an opening.

    Attributes:
        opening: its name, and when.
        said: in words.
        pieces: of the strip, from the knife to the head.
    """

    opening: str
    said: str
    pieces: tuple[Piece, ...]


@dataclass(frozen=True)
class PolicyShown:
    """A policy: its name, what it would mean, and what each opening would show."""

    name: str
    option: Option
    true_again: str
    openings: tuple[AtOpening, ...]


def policies_shown(there: RunThere, found: PoliciesCompared) -> tuple[PolicyShown, ...]:
    """Each policy, as the page and the terminal tell it."""
    choices = [_choice(found, one) for one in found.policies]
    options = options_shown(there, choices, found.ends_at)
    zone = there.venue.zone
    return tuple(
        PolicyShown(
            name=option.name if one.rule is not None else f"{BY_POLICY}: {formatting.rule(one.by_policy)}",
            option=option,
            true_again=_true_again(one, zone),
            openings=tuple(_at_openings(found, one, zone)),
        )
        for one, option in zip(found.policies, options, strict=True)
    )


def told(body: object) -> PoliciesCompared:
    """The API's answer."""
    return structure(body, PoliciesCompared)


def _choice(found: PoliciesCompared, one: SettledBy) -> Choice:
    if one.decision is None:
        return Choice(one.rule, None, problem=one.problem)
    parts = parts_of(one.decision)
    return Choice(one.rule, one.decision, parts=parts, seams=seams(parts, found.gap))


def _true_again(one: SettledBy, zone: str) -> str:
    if one.decision is None:
        return ""
    if one.decision.shift_s:
        return f"never again by the old times: all that follows is {formatting.seconds(one.decision.shift_s)} later"
    if one.true_again_at is None:
        return "never within the run: it is over before it has caught up"
    if not one.decision.hours_until_true:
        return "at once"
    span = formatting.seconds(one.decision.hours_until_true * 3600.0)
    return f"after {span}, {formatting.moment(one.true_again_at, zone)}"


def _at_openings(found: PoliciesCompared, one: SettledBy, zone: str) -> Iterator[AtOpening]:
    for opening, hangs in zip(found.openings, one.at_openings, strict=False):
        when = f"{opening.name}, {formatting.moment(opening.opens_at, zone)}"
        yield AtOpening(when, hanging_in_words(hangs), tuple(_pieces(hangs)))


def hanging_in_words(one: Hanging) -> str:
    """How the machine stands, and whether what hangs is whole."""
    behind = f", {formatting.seconds(one.behind_s)} behind" if one.behind else ""
    return f"{STANDING[one.standing]}{behind}; {_whole(one)}"


def _whole(one: Hanging) -> str:
    if one.is_whole:
        return "what hangs is whole"
    lengths = {part.kind: part.paper_mm for part in one.parts}
    said = [
        f"{lengths[kind]:.0f} mm {word}"
        for kind, word in (("blank", "blank"), ("unknown", "in doubt"))
        if kind in lengths
    ]
    if one.seams:
        said.append(f"{one.seams} {'seam' if one.seams == 1 else 'seams'}")
    return f"in what hangs: {', '.join(said)}"


def _pieces(one: Hanging) -> Iterator[Piece]:
    whole, x = sum(part.columns for part in one.parts), 0.0
    for part in one.parts:
        width = WIDTH * part.columns / whole
        yield Piece(part.kind, round(x, 1), round(width, 1))
        x += width
