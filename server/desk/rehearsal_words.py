"""A run that was played many times, in plain words."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from scheduling.rehearsal.tallies import Spread
from scheduling.rehearsal.told import Compared, OpeningThere, Rehearsed, Spare
from server.console import formatting

POLICY = {
    "skip": "leave out what was missed",
    "blank": "leave it out, with blank paper in its place",
    "replay": "print all of it late",
    "replay-within": "print the newest six hours of it late",
    "shift": "let the timeline wait",
}
WITHOUT = {
    "power": "no power cuts",
    "network": "no losses of the network",
    "jam": "no jams",
    "part": "no parts that fail",
    "nozzle": "no nozzles that die",
    "late": "staff never late",
}
# What differs by less than chance alone may make it is not said to move anything.
DOUBT = 2.0
# Nor what brings fewer hours off the sky by no greater share than this.
A_LITTLE = 0.01


def percent(share: float) -> str:
    """A share of the seasons; never all or none where it is not."""
    if 0.0 < share < 0.001 or 0.999 < share < 1.0:
        return "below 0.1 %" if share < 0.5 else "above 99.9 %"
    return f"{100.0 * share:.3g} %"


def name_of(one: Compared) -> str:
    """What is otherwise."""
    if one.kind == "policy":
        return f"policy: {POLICY[one.name]}"
    return f"staff come on {one.name.capitalize()}s, 09:00 to 11:00" if one.kind == "service" else WITHOUT[one.name]


def odds_in_words(found: Rehearsed, zone: str) -> Iterator[str]:
    """What is likely, sentence by sentence."""
    for one in found.openings:
        yield _opening(one, zone)
    yield (
        f"In {percent(found.ran_out)} of the seasons a roll or a cartridge ends before it is changed, in"
        f" {percent(found.unattended)} while nobody is there."
    )
    still = spread_in_words(found.still_hours, "h")
    yield f"Off the sky for {spread_in_words(found.off_hours, 'h')}; of that it stands still for {still}."
    yield f"Paper: {spread_in_words(found.paper_m, 'm')}."
    if found.ink_ml is not None:
        yield f"Ink: {spread_in_words(found.ink_ml, 'ml')}."
    yield f"Columns that are never printed: {spread_in_words(found.left_out, '')}."


def _opening(one: OpeningThere, zone: str) -> str:
    odds, doubt = one.odds, f" (give or take {formatting.two_digits(100.0 * one.doubt)} %)"
    parts = [
        (odds.still, "it stands still"),
        (odds.late, "it prints late"),
        (1.0 - odds.whole, "what hangs is not whole"),
    ]
    parts.append((odds.streaked, "dead nozzles show"))
    said = "; ".join(f"{what} in {percent(of)}" for of, what in parts if of)
    right = f"{one.name}, {formatting.moment(one.opens_at, zone)}: all is right in {percent(odds.right)}{doubt}"
    return f"{right}. {said[0].upper()}{said[1:]}." if said else f"{right}."


def spread_in_words(one: Spread, unit: str) -> str:
    """A number in the middle of the seasons, and in nine of ten of them."""
    unit = f" {unit}" if unit else ""
    low, middle, high = map(_number, (one.low, one.middle, one.high))
    if low == high:
        return f"{middle}{unit}"
    return f"{middle}{unit} in the middle, {low} to {high}{unit} in nine seasons of ten"


def _number(value: float) -> str:
    """With two digits that count or more, and none behind the point where they say nothing."""
    return f"{value:,.0f}" if value >= 100.0 or value == round(value) else formatting.two_digits(value)


def spare_in_words(one: Spare) -> str:
    """How many are enough."""
    if one.by == "chance":
        return f"{one.number} for parts that fail: {one.mean:.2g} fail on average, by the Poisson sum"
    plural = one.part if one.number == 1 else f"{one.part}s"
    return f"{one.number} {plural} beside the one at the machine: {one.mean:.3g} are changed on average"


def right_on_average(found: Rehearsed) -> float:
    """The mean over the openings, of which there are some, that all is right there."""
    return sum(one.odds.right for one in found.openings) / len(found.openings)


def moves_most(found: Rehearsed) -> tuple[Compared, ...]:
    """What makes most of the openings right that are not, best first; of what may be chance nothing. Where there are
    none, what brings the fewest hours off the sky."""
    if not found.openings:
        less = [one for one in found.compared if one.off_hours < (1.0 - A_LITTLE) * found.off_hours.mean]
        return tuple(sorted(less, key=lambda one: one.off_hours))
    before = right_on_average(found)
    doubt = DOUBT * (max(before * (1.0 - before), 1e-9) / found.seasons) ** 0.5
    better = [one for one in found.compared if one.right is not None and one.right > before + doubt]
    return tuple(sorted(better, key=lambda one: -(one.right or 0.0)))


def moves_in_words(found: Rehearsed) -> str:
    """The same, in a sentence."""
    moving = moves_most(found)
    if not moving and not found.openings:
        return f"Nothing that was tried makes the hours off the sky fewer by more than {percent(A_LITTLE)}."
    if not moving:
        return "Nothing that was tried moves the odds by more than chance may."
    best = moving[0]
    if best.right is None:
        return f"What moves most: {name_of(best)}: {best.off_hours:.1f} h off the sky on average."
    return f"What moves the odds most: {name_of(best)}: all is right at an opening in {percent(best.right)}."


def of_kind(found: Rehearsed, kind: str) -> Sequence[Compared]:
    """What was compared of one kind."""
    return [one for one in found.compared if one.kind == kind]
