"""Which few seeds to play, where time is short."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable

from tests.faults.scenario import Scenario, draw


def covering(seeds: Iterable[int], wanted: Collection[str], drawn: Callable[[int], Scenario] = draw) -> list[int]:
    """Seeds chosen one after another for what each adds, of `Scenario.has`, in the time it lasts.

    Raises:
        ValueError: something wanted is in none of them.
    """
    scenarios = [drawn(seed) for seed in seeds]
    chosen: list[int] = []
    missing = set(wanted)
    while missing:
        best = max(scenarios, key=lambda scenario: len(scenario.has & missing) / scenario.lasts_h)
        if not best.has & missing:
            raise ValueError(f"no seed has {sorted(missing)}")
        chosen.append(best.seed)
        missing -= best.has
    return chosen
