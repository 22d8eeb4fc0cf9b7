"""A run rehearsed: played many times as planned, and then with one thing otherwise, by the same chance."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from machines.errors import InputError
from scheduling.outages.rule_checks import PLAIN_CYCLE
from scheduling.rehearsal.assumptions import assumptions
from scheduling.rehearsal.of_run import RunInNumbers
from scheduling.rehearsal.rates import Rates
from scheduling.rehearsal.season import Season
from scheduling.rehearsal.spares import spares
from scheduling.rehearsal.tallies import Outcome, Progress, bars, enough, play_seasons, require_seasons, share, spread
from scheduling.rehearsal.told import Bar, Compared, OpeningThere, Rehearsed, Spare
from scheduling.rehearsal.variants import Variant, variants

# Of the picture of a spread.
BARS = 24


@dataclass(frozen=True, kw_only=True)
class Asked:
    """What is asked.

    Attributes:
        seasons: how many.
        seed: of all chance.
        confidence: for the numbers of spares.
        compare: whether policies, service dates and what goes wrong are compared.
    """

    seasons: int = 10_000
    seed: int = 1
    confidence: float = 0.95
    compare: bool = True

    def __post_init__(self) -> None:
        require_seasons(self.seasons, self.seed)
        if not 0.5 <= self.confidence <= 0.999:
            raise InputError("confidence", f"{self.confidence}", "give 0.5 to 0.999")


def rehearse(numbers: RunInNumbers, rates: Rates, asked: Asked, progress: Progress | None = None) -> Rehearsed:
    """Play a run.

    Args:
        numbers: the run.
        rates: of what may go wrong.
        asked: how often, and what else.
        progress: is told how many seasons of how many are played, those with something otherwise included.
    """
    season = numbers.season(rates)
    others = list(_others(numbers, season)) if asked.compare else []
    whole = asked.seasons * (1 + len(others))

    def played(one: Season, number: int) -> Outcome:
        before = asked.seasons * number
        tell = None if progress is None else lambda done, _: progress(before + done, whole)
        return play_seasons(one, asked.seasons, asked.seed, tell)

    outcome = played(season, 0)
    # Of the others a few means are kept, and not the seasons.
    compared = tuple(_compared(numbers, one, played(one.season, number)) for number, one in enumerate(others, 1))
    return _told(numbers, season, asked, outcome, compared)


def _others(numbers: RunInNumbers, season: Season) -> Iterator[Variant]:
    return variants(season, numbers.run.cycle == PLAIN_CYCLE, numbers.weekly())


def _told(
    numbers: RunInNumbers, season: Season, asked: Asked, outcome: Outcome, compared: tuple[Compared, ...]
) -> Rehearsed:
    metre = 1000.0 / numbers.there.profile.column_pitch_mm
    return Rehearsed(
        run=numbers.run.id,
        seasons=asked.seasons,
        seed=asked.seed,
        starts_at=numbers.begins,
        ends_at=numbers.ends,
        confidence=asked.confidence,
        openings=tuple(_openings(numbers, outcome)),
        ran_out=share(outcome.ran_out),
        unattended=share(outcome.unattended),
        off_hours=spread(outcome.off_hours),
        still_hours=spread(outcome.still_hours),
        paper_m=spread(outcome.paper, metre),
        ink_ml=spread(outcome.ink_ml) if season.ink.ml_per_column else None,
        off_bars=tuple(Bar(begins=a, ends=b, share=of) for a, b, of in bars(outcome.off_hours, BARS)),
        left_out=spread(outcome.skipped),
        spares=tuple(_spares(season, outcome, asked.confidence)),
        compared=compared,
        assumptions=assumptions(numbers, season),
    )


def _openings(numbers: RunInNumbers, outcome: Outcome) -> Iterator[OpeningThere]:
    found = [one for one in numbers.there.context.at_venue.openings if numbers.begins <= one.opens_at < numbers.ends]
    for row, odds in zip(found, outcome.openings, strict=True):
        doubt = _doubt(odds.right, outcome.seasons)
        yield OpeningThere(id=row.id, name=row.name, opens_at=row.opens_at, odds=odds, doubt=doubt)


def _doubt(share: float, seasons: int) -> float:
    """Two standard errors, with two seasons more of either kind: so that it is not nothing where none or all were
    right (Agresti and Coull, The American Statistician 52, 1998, from memory)."""
    n = seasons + 4
    p = (share * seasons + 2) / n
    return 2.0 * math.sqrt(p * (1.0 - p) / n)


def _spares(season: Season, outcome: Outcome, confidence: float) -> Iterator[Spare]:
    counted = {"roll": outcome.rolls, "cartridge": outcome.cartridges, "blade": outcome.blades}
    for part, counts in counted.items():
        if counts.any():
            yield Spare(part=part, number=enough(counts, confidence), mean=float(np.mean(counts)), by="count")
    mean = season.rates.part.per_day * season.days
    yield Spare(part="part that fails", number=spares(mean, confidence), mean=mean, by="chance")


def _compared(numbers: RunInNumbers, other: Variant, outcome: Outcome) -> Compared:
    return Compared(
        kind=other.kind,
        name=other.name,
        right=outcome.right,
        unattended=share(outcome.unattended),
        off_hours=float(np.mean(outcome.off_hours)),
        paper_m=float(np.mean(outcome.paper)) * numbers.there.profile.column_pitch_mm / 1000.0,
    )
