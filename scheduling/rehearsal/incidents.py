"""What happens in each season, drawn by chance and put in order of time with what is fixed.

All chance is numpy's generator, seeded by the seed, the block of seasons and the kind of incident. So the same seed
draws the same seasons, whatever policy they are settled by, and other service dates leave power cuts where they were:
what differs between two answers is what was changed.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import IntEnum
from typing import Any

import numpy as np

from machines.recovery import Cause
from scheduling.rehearsal.rates import HOUR_S, INCIDENTS, MINUTE_S
from scheduling.rehearsal.season import Season
from scheduling.rehearsal.spans import FloatArray, IntArray

# So many days of seasons are drawn at once, and so many seasons at most: however long they are, no more than a few
# hundred megabytes are needed, even where each incident comes every day.
BLOCK_DAYS, BLOCK = 360_000, 10_000


class Kind(IntEnum):
    """What happens at an instant."""

    POWER = 0
    NETWORK = 1
    JAM = 2
    PART = 3
    NOZZLE = 4
    VISIT = 5
    OPENING = 6
    REST = 7


CAUSES: dict[int, Cause] = {Kind.POWER: "power", Kind.NETWORK: "no-work", Kind.JAM: "jam", Kind.PART: "machine"}


def block_of(days: float) -> int:
    """How many seasons of so many days are drawn at once: by their length alone, so that what else is changed changes
    no chance."""
    seasons: int = max(1, min(BLOCK, math.floor(BLOCK_DAYS / days)))
    return seasons


@dataclass(frozen=True, eq=False)
class Drawn:
    """The seasons of a block: a column each, in order of time, filled up with infinity.

    Attributes:
        at: when, seconds since the run begins.
        kind: see `Kind`.
        until: when the machine goes on, of an outage or a rest; the number of the window or the opening, of the others.
        chance: from 0 to 1, by which a power cut or a jam falls into a burst or between two; 1 of all else.
    """

    at: FloatArray
    kind: IntArray
    until: FloatArray
    chance: FloatArray

    def __len__(self) -> int:
        return int(self.at.shape[1])

    @classmethod
    def joined(cls, blocks: Sequence[Drawn]) -> Drawn:
        """The seasons of some blocks side by side."""
        if len(blocks) == 1:
            return blocks[0]
        rows = max(len(block.at) for block in blocks)

        def side_by_side(name: str, fill: float) -> Any:
            parts: list[Any] = [getattr(block, name) for block in blocks]
            filled = [np.pad(part, ((0, rows - len(part)), (0, 0)), constant_values=fill) for part in parts]
            return np.concatenate(filled, axis=1)

        return cls(
            at=side_by_side("at", np.inf),
            kind=side_by_side("kind", Kind.OPENING),
            until=side_by_side("until", 0.0),
            chance=side_by_side("chance", 0.0),
        )


def draw(season: Season, seed: int, block: int, seasons: int) -> Drawn:
    """Draw a block of seasons."""
    groups = list(_incidents(season, seed, block, seasons))
    groups += [
        _visits(season, np.random.default_rng([seed, block, len(INCIDENTS)]), seasons),
        _openings(season, seasons),
        _rests(season, seasons),
    ]
    kinds = [np.full(group[0].shape, kind, dtype=np.int64) for kind, group in enumerate(groups)]
    at = np.concatenate([group[0] for group in groups], axis=1)
    happens = np.isfinite(at)
    ever = np.flatnonzero(happens.any(axis=0))  # most losses of a network are made good by the work that is held
    order = np.argsort(at[:, ever], axis=1)[:, : int(happens.sum(axis=1).max(initial=0))]
    # The first of all seasons side by side in memory, then the second.
    places = (ever[order] + at.shape[1] * np.arange(seasons)[:, None]).T
    until, chance = (np.concatenate([group[part] for group in groups], axis=1) for part in (1, 2))
    at, until, chance = (part.ravel()[places] for part in (at, until, chance))
    kind = np.concatenate(kinds, axis=1).ravel()[places]
    return Drawn(at=at, kind=kind, until=until, chance=chance)


Group = tuple[FloatArray, FloatArray, FloatArray]


def _incidents(season: Season, seed: int, block: int, seasons: int) -> Iterator[Group]:
    for number, name in enumerate(INCIDENTS):
        chance = np.random.default_rng([seed, block, number])
        rate = getattr(season.rates, name)
        count = chance.poisson(rate.per_day * season.days, seasons)
        shape = (seasons, int(count.max(initial=0)))
        at = chance.random(shape) * season.length_s
        at[np.arange(shape[1]) >= count[:, None]] = np.inf
        lasts = chance.exponential(rate.mean_hours * HOUR_S, shape) if rate.mean_hours else np.zeros(shape)
        yield _with_ends(season, name, at, lasts, chance.random(shape))


def _with_ends(season: Season, name: str, at: FloatArray, lasts: FloatArray, chance: FloatArray) -> Group:
    """When each goes on: once the power is back, once somebody is there and has seen to it."""
    if name == "network":
        held = season.rates.work_held_hours * HOUR_S
        missed = np.where(lasts > held, at + held, np.inf)
        return missed, at + lasts, np.ones_like(at)
    if name == "jam":
        moves = season.times.rests.next_out(at) == at  # what stands still jams no paper
        at = np.where(moves, at, np.inf)
    if name in ("jam", "part"):
        return at, season.seen(at) + lasts, chance if name == "jam" else np.ones_like(at)
    return at, at + lasts, chance


def _visits(season: Season, chance: np.random.Generator, seasons: int) -> Group:
    """When staff come in each window; not at all where it is over by then."""
    windows = np.array(season.times.windows, dtype=np.float64).reshape(-1, 2)
    shape = (seasons, len(windows))
    is_late = chance.random(shape) < season.rates.late_share
    late_s = chance.exponential(season.rates.late_hours * HOUR_S, shape) if season.rates.late_hours else np.zeros(shape)
    come = windows[:, 0] + np.where(is_late, late_s, 0.0)
    at = np.where(come < windows[:, 1], come, np.inf)
    number = np.broadcast_to(np.arange(len(windows), dtype=np.float64), shape)
    return at, number, np.zeros(shape)


def _openings(season: Season, seasons: int) -> Group:
    shape = (seasons, len(season.times.openings))
    number = np.broadcast_to(np.arange(shape[1], dtype=np.float64), shape)
    return np.broadcast_to(season.times.openings, shape), number, np.zeros(shape)


def _rests(season: Season, seasons: int) -> Group:
    rests = season.times.rests
    shape = (seasons, len(rests))
    return np.broadcast_to(rests.starts, shape), np.broadcast_to(rests.ends, shape), np.ones(shape)


def change_s(season: Season) -> float:
    """How long the change of a part takes, seconds."""
    return season.rates.change_minutes * MINUTE_S
