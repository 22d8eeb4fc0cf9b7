"""The orders to a controller that lay columns, step by step. See PROTOCOL.md."""

from __future__ import annotations

import base64
from collections.abc import Collection, Iterable, Iterator

import numpy as np
from numpy.typing import NDArray

from machines.model.head import HeadPlan, plan
from machines.model.profile import CarriageHead, LineHead, Profile
from machines.model.strobes import strobes

Dots = NDArray[np.bool_]
Words = tuple[object, ...]
# Octets of packed dots in one line: 200 characters of base 64 leave room for the rest of it.
OCTETS_PER_LINE = 150
# The word of a burst in place of its first running column.
OF_NO_PICTURE = "-"


def burst(
    place: int, dots: Dots, first_column: int, profile: Profile, nozzle_seed: int, dead: Collection[int] = ()
) -> Iterator[Words]:
    """All orders of one burst.

    Args:
        place: on the paper, of the first column.
        dots: bool, shape (dots_across, columns).
        first_column: running column of the first.
        profile: of the machine.
        nozzle_seed: of the assignment of nozzles.
        dead: nozzles of a carriage head that are known to be dead, and left out.
    """
    # The head's plan is made before the first order goes: from then on the watchdog counts.
    return _step_by_step(place, dots.shape[1], first_column, _steps(dots, first_column, profile, nozzle_seed, dead))


def pattern_burst(
    place: int, pattern: Dots | HeadPlan, profile: Profile, nozzle_seed: int, dead: Collection[int] = ()
) -> Iterator[Words]:
    """All orders of one burst of what is of no picture: dots, or what each nozzle does; otherwise as `burst`."""
    if isinstance(pattern, HeadPlan):
        columns = pattern.numbers.shape[1]
        return _step_by_step(place, columns, OF_NO_PICTURE, _passing(pattern))
    steps = _steps(pattern, place, profile, nozzle_seed, dead)
    return _step_by_step(place, pattern.shape[1], OF_NO_PICTURE, steps)


def spit(nozzles: NDArray[np.bool_], drops: int) -> Iterator[Words]:
    """The orders that have nozzles fire so many drops each into the waste; nozzles as bool, one for each."""
    for offset, packed in _octets(nozzles):
        yield "spit", drops, offset, packed


def _step_by_step(
    place: int, columns: int, first_column: int | str, steps: Iterator[Iterable[tuple[int, Dots]]]
) -> Iterator[Words]:
    yield "burst", place, columns, first_column
    for step, parts in enumerate(steps):
        count = 0
        for part, row in parts:
            count += int(np.count_nonzero(row))
            yield from _packed(part, row)
        yield "step", place + step, count
    yield ("cap",)


def _steps(
    dots: Dots, first_column: int, profile: Profile, seed: int, dead: Collection[int]
) -> Iterator[Iterable[tuple[int, Dots]]]:
    """For each step the nozzles or strobes that fire, and over which rows."""
    head = profile.head
    if isinstance(head, CarriageHead):
        return _passing(plan(dots, first_column, head, seed, dead))
    return (_in_strobes(column, head) for column in dots.T)


def _passing(of_head: HeadPlan) -> Iterator[Iterable[tuple[int, Dots]]]:
    return (_firing(of_head.fired(step)) for step in of_head.steps)


def _firing(fires: Dots) -> Iterable[tuple[int, Dots]]:
    return [(int(nozzle), fires[nozzle]) for nozzle in np.flatnonzero(fires.any(axis=1))]


def _in_strobes(column: Dots, head: LineHead) -> Iterable[tuple[int, Dots]]:
    strobe_of = strobes(column, head)
    return [(strobe, strobe_of == strobe) for strobe in range(int(strobe_of.max(initial=-1)) + 1)]


def _packed(part: int, row: Dots) -> Iterator[Words]:
    for offset, packed in _octets(row):
        yield "dots", part, offset, packed


def _octets(row: Dots) -> Iterator[tuple[int, str]]:
    """Eight dots to an octet, the first in the highest bit; stretches without a dot are left out."""
    octets = np.packbits(row)
    for offset in range(0, len(octets), OCTETS_PER_LINE):
        piece = octets[offset : offset + OCTETS_PER_LINE]
        inked = np.flatnonzero(piece)
        if inked.size:
            first, end = int(inked[0]), int(inked[-1]) + 1
            yield offset + first, base64.b64encode(piece[first:end].tobytes()).decode("ascii")
