"""What came of thousands of seasons: how likely, and how much with its spread."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, fields

import numpy as np

from machines.errors import InputError
from scheduling.rehearsal.incidents import Drawn, block_of, draw
from scheduling.rehearsal.play import Played, blocks, play
from scheduling.rehearsal.season import Season
from scheduling.rehearsal.spans import FloatArray, IntArray

LEAST_SEASONS, MOST_SEASONS = 100, 100_000
LARGEST_SEED = 2**53 - 1
SHARES = (0.05, 0.5, 0.95)
# So many things that happen in so many seasons: some tens of megabytes.
PLAYED_AT_ONCE = 1_000_000
# Told now and then: how many of all seasons are played.
Progress = Callable[[int, int], None]


@dataclass(frozen=True, kw_only=True)
class Spread:
    """A number over the seasons.

    Attributes:
        mean: of all of them.
        low, middle, high: 5, 50 and 95 in a hundred seasons have no more.
    """

    mean: float
    low: float
    middle: float
    high: float


@dataclass(frozen=True, kw_only=True)
class OpeningOdds:
    """What an opening shows, as a share of the seasons.

    Attributes:
        right: true to the sky, all that hangs whole, and no dead nozzle to be seen in it.
        whole: all that hangs between head and knife is the picture without a seam, a blank or a column in doubt.
        still: nothing is being laid, though it is due.
        late: it is still printing late what was missed.
        streaked: so many nozzles are dead, or were as it was laid, that dots are missing.
    """

    right: float
    whole: float
    still: float
    late: float
    streaked: float


@dataclass(frozen=True, eq=False)
class Outcome:
    """Seasons that were played, season by season.

    Attributes:
        seasons: how many.
        openings: in order.
        off_hours, still_hours: off the sky, and of that standing still.
        paper, ink_ml: columns of paper, and ink.
        rolls, cartridges, blades: that were changed.
        ran_out, unattended: rolls and cartridges that ended before they were changed, and of them with nobody there.
        skipped: columns left out.
    """

    seasons: int
    openings: tuple[OpeningOdds, ...]
    off_hours: FloatArray
    still_hours: FloatArray
    paper: FloatArray
    ink_ml: FloatArray
    rolls: IntArray
    cartridges: IntArray
    blades: IntArray
    ran_out: IntArray
    unattended: IntArray
    skipped: IntArray

    @property
    def right(self) -> float | None:
        """The mean over openings that all is right there; None where there is none."""
        return float(np.mean([one.right for one in self.openings])) if self.openings else None


def play_seasons(season: Season, seasons: int, seed: int, progress: Progress | None = None) -> Outcome:
    """Play so many seasons, block by block: in memory stays no more of each than a few numbers.

    Raises:
        InputError: too few or too many, or no seed.
    """
    require_seasons(seasons, seed)
    parts: list[dict[str, FloatArray | IntArray]] = []
    seen = np.zeros((len(_SEEN), len(season.times.openings)))
    done = 0
    for drawn in _drawn(season, seasons, seed):
        played = play(season, drawn)
        parts.append(_of_block(played))
        seen += np.array([getattr(played, name) for name in _SEEN])
        done += len(drawn)
        if progress is not None:
            progress(done, seasons)
    odds = tuple(OpeningOdds(**dict(zip(_SEEN, map(float, of_one), strict=True))) for of_one in (seen / seasons).T)
    whole = {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}
    return Outcome(seasons=seasons, openings=odds, **whole)


def _drawn(season: Season, seasons: int, seed: int) -> Iterator[Drawn]:
    """They are drawn block by block. Blocks in which little happens are played together, as a step of many seasons
    takes hardly longer than one of a few."""
    held: list[Drawn] = []
    for number, count in blocks(seasons, block_of(season.days)):
        drawn = draw(season, seed, number, count)
        if held and sum(one.at.size for one in (*held, drawn)) > PLAYED_AT_ONCE:
            yield Drawn.joined(held)
            held = []
        held.append(drawn)
    yield Drawn.joined(held)


def require_seasons(seasons: int, seed: int) -> None:
    """Raise an InputError for numbers that cannot be played."""
    if not LEAST_SEASONS <= seasons <= MOST_SEASONS:
        raise InputError("seasons", f"{seasons}", f"give {LEAST_SEASONS} to {MOST_SEASONS:,}")
    if not 0 <= seed <= LARGEST_SEED:
        raise InputError("seed", f"{seed}", f"give a whole number from 0 to {LARGEST_SEED}")


def spread(numbers: FloatArray | IntArray, per: float = 1.0) -> Spread:
    """A number over the seasons, divided by so much."""
    low, middle, high = (float(one) for one in np.quantile(numbers, SHARES, method="inverted_cdf"))
    return Spread(mean=float(np.mean(numbers)) / per, low=low / per, middle=middle / per, high=high / per)


def enough(counts: IntArray, confidence: float) -> int:
    """The smallest number that is enough in so great a share of the seasons."""
    return int(np.quantile(counts, confidence, method="inverted_cdf"))


def share(of: IntArray) -> float:
    """In which share of the seasons something happened at all."""
    return float(np.mean(of > 0))


_SEEN = tuple(one.name for one in fields(OpeningOdds))


def _of_block(played: Played) -> dict[str, FloatArray | IntArray]:
    state = played.state
    counted: Iterable[str] = ("rolls", "cartridges", "blades", "ran_out", "unattended", "skipped")
    found: dict[str, FloatArray | IntArray] = {name: getattr(state, name) for name in counted}
    return found | {
        "off_hours": state.off_s / 3600.0,
        "still_hours": state.down_s / 3600.0,
        "paper": played.paper,
        "ink_ml": played.ink_ml,
    }


def bars(numbers: Sequence[float] | FloatArray, most: int) -> tuple[tuple[float, float, float], ...]:
    """The spread as bars of equal width: from where to where, and the share of the seasons in it."""
    values = np.asarray(numbers, dtype=np.float64)
    low, high = float(values.min()), float(values.max())
    if high - low < 1e-9:
        return ((low, high, 1.0),)
    counts, edges = np.histogram(values, bins=most, range=(low, high))
    return tuple((float(a), float(b), int(n) / len(values)) for a, b, n in zip(edges, edges[1:], counts, strict=False))
