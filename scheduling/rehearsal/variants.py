"""The same seasons under another policy, with other service dates, or without one thing that goes wrong: what moves the
odds most."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Literal

from machines.recovery import Limit, Policy, RuleKind
from scheduling.rehearsal.rates import INCIDENTS
from scheduling.rehearsal.season import Season

VariantKind = Literal["policy", "service", "without"]
SIX_HOURS = Limit(value=6.0, unit="hours")


@dataclass(frozen=True, eq=False)
class Variant:
    """A season with one thing otherwise.

    Attributes:
        kind: what is otherwise.
        name: which: a kind of rule, a day of the week, or what never goes wrong.
        season: all of it.
    """

    kind: VariantKind
    name: str
    season: Season


def variants(season: Season, is_plain: bool, weekly: dict[str, tuple[tuple[float, float], ...]]) -> Iterator[Variant]:
    """Every one that can be.

    Args:
        season: as planned.
        is_plain: whether its cycle is a plain period, whose timeline may wait.
        weekly: windows of every week, by the day, such as staff might come in instead.
    """
    kinds: list[RuleKind] = ["skip", "blank"]
    kinds += ["replay", "replay-within"] if season.pace.catches_up else []
    kinds += ["shift"] if is_plain else []
    for kind in kinds:
        policy = Policy(kind=kind, within=SIX_HOURS if kind == "replay-within" else None)
        yield Variant("policy", kind, replace(season, policy=policy))
    for day, windows in weekly.items():
        yield Variant("service", day, replace(season, times=replace(season.times, windows=windows)))
    for name in (*INCIDENTS, "late"):
        yield Variant("without", name, replace(season, rates=season.rates.without(name)))
