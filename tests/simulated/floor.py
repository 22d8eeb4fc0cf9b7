"""Scenarios played in many processes, whichever floor they are played on; each told as fault runs are."""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from tests.faults.scenario import Scenario
from tests.faults.series import Result, given_up
from tests.simulated.smallest import Plan, smallest
from tests.simulated.workers import spread, stay
from tests.simulated.wrongs import Wrong

# From so many scenarios on, workers get so many at a time.
MANY, CHUNK = 1000, 10


@dataclass(frozen=True, kw_only=True)
class Played:
    """What became of a scenario.

    Attributes:
        result: as in a series of fault runs.
        digests: of what the server knows, of the journal, of the paper's ledger and all that went over the network, by
            name.
        hits: how often the network struck, by kind.
        processor_s: seconds of a processor that it took.
        needed: of a broken one, the plan of which nothing can be spared; None of a kept one.
    """

    result: Result
    digests: dict[str, str]
    hits: Counter[str]
    processor_s: float = 0.0
    needed: Plan | None = None


@dataclass(frozen=True)
class Floor:
    """Where scenarios are played: functions of modules, which another process finds by their names.

    Attributes:
        name: of the package whose command plays them.
        make_stand: sets a process up in a folder.
        play_one: plays a scenario there.
        mistake: of a name.
    """

    name: str
    make_stand: Callable[[Path], Any]
    play_one: Callable[[Any, Scenario], Played]
    mistake: Callable[[str], Wrong]

    def play(self, stand: Any, scenario: Scenario) -> Played:
        """A scenario; one that cannot be played counts as broken."""
        began_s = time.process_time()
        try:
            played = self.play_one(stand, scenario)
        except Exception as error:  # noqa: BLE001 - whatever it is, the others are played all the same
            played = Played(result=given_up(scenario, error), digests={}, hits=Counter())
        return replace(played, processor_s=time.process_time() - began_s)


# The floor of this process, and what its scenarios stand on.
_STANDS: list[tuple[Floor, Any]] = []


def begin(folder: Path, floor: Floor, wrong: str | None = None) -> None:
    """This process is a worker's, perhaps with a mistake in it."""
    _STANDS.append((floor, floor.make_stand(folder)))
    if wrong is not None:
        stay(floor.mistake(wrong).put())


def floor_here() -> Floor:
    """The floor of a worker's process."""
    return _STANDS[0][0]


def stand_here() -> Any:
    """What scenarios stand on in a worker's process."""
    return _STANDS[0][1]


def played_here(scenario: Scenario) -> Played:
    """A scenario, in a worker's process."""
    return floor_here().play(stand_here(), scenario)


def _work(plan: Plan) -> Played:
    played = played_here(plan.scenario)
    if not played.result.problems:
        return played
    return replace(played, needed=smallest(plan, lambda one: bool(played_here(one).result.problems)))


def play_all(floor: Floor, plans: Sequence[Plan], workers: int, wrong: str | None = None) -> Iterator[Played]:
    """Play scenarios, several at a time; each as soon as it is played.

    Args:
        floor: on which.
        plans: of what is played.
        workers: processes.
        wrong: name of a mistake to be put in place; None for none.
    """
    chunk = 1 if len(plans) < MANY else CHUNK
    return spread(floor.name, workers, begin, (floor, wrong), _work, plans, chunk=chunk)
