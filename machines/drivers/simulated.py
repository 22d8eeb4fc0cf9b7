"""A simulated machine: a driver like any other, whose paper is a folder.

It sets each dot by the nozzles or in the strobe that the head's plan says, so that a fault of the plan shows on the
paper. An order is done in an instant: all passes over its columns, lead-in and lead-out included, as if the head could
reach back over them. It never prints over what lies there.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from machines.clock import Clock
from machines.drivers import MachineStopped
from machines.drivers.paper import PaperWriter, paper_png
from machines.head import plan
from machines.profile import CarriageHead, LineHead, Profile
from machines.strobes import strobes

Dots = NDArray[np.bool_]
# Beyond this the picture of the paper shows the newest part only: closing must not take long.
LARGEST_PICTURE_COLUMNS = 50_000


class SimulatedMachine:
    """A machine of any profile.

    Its faults have their places: dead nozzles in `_set`, slip where `lay` writes, stops before it does.
    """

    def __init__(self, folder: Path, profile: Profile, nozzle_seed: int, clock: Clock) -> None:
        """Thread the folder's paper.

        Args:
            folder: of the paper, new or printed on before.
            profile: of the machine.
            nozzle_seed: of the assignment of nozzles.
            clock: the true one; the paper keeps the true instants, whatever the board beside it believes.

        Raises:
            InputError: the folder's paper is that of another machine.
        """
        self._folder = folder
        self._profile = profile
        self._seed = nozzle_seed
        self._clock = clock
        self._paper = PaperWriter(folder, profile)

    def lay(self, place: int, dots: Dots, first_column: int) -> None:
        """Set columns from a place on.

        Raises:
            MachineStopped: something lies there already; the paper remembers the order.
            ValueError: dots of another height than the head's.
        """
        if dots.shape[0] != self._profile.dots_across:
            raise ValueError(f"{dots.shape[0]} dots in a column of {self._profile.dots_across}")
        if place < self._paper.end:
            self._paper.refuse(place, first_column, dots.shape[1], self._clock.now())
            raise MachineStopped("other-error")
        set_dots = self._set(dots, first_column)
        self._paper.lay(place, set_dots, first_column, np.full(dots.shape[1], self._clock.now()))

    def cut(self, place: int) -> None:
        """Cut at the place under the knife.

        Raises:
            MachineStopped: the place is not there; a real knife would cut in the wrong one.
        """
        if place + self._profile.knife_columns < self._paper.end:
            raise MachineStopped("separation-cutter-unrecoverable-failure-error")
        self._paper.cut(place, self._clock.now())

    def arm(self) -> None:
        """Nothing to do: the agent alone keeps this knife from cutting."""

    def paper_end(self) -> int | None:
        """The place after the last column on the paper."""
        return self._paper.end

    def conditions(self) -> tuple[str, ...]:
        """Nothing is ever wrong."""
        return ()

    def halt(self) -> None:
        """Nothing to do: an order is done in an instant."""

    def close(self) -> None:
        """Stop, and leave a picture of the paper as a viewer sees it, ``paper.png``."""
        end = self._paper.end
        self._paper.close()
        if end:
            first = max(0, end - LARGEST_PICTURE_COLUMNS)
            picture = paper_png(self._folder, first, end, self._profile.travel)
            partial = self._folder / "paper.png.partial"
            partial.write_bytes(picture)
            partial.rename(self._folder / "paper.png")

    def _set(self, dots: Dots, first_column: int) -> Dots:
        """What reaches the paper."""
        head = self._profile.head
        if isinstance(head, CarriageHead):
            return plan(dots, first_column, head, self._seed).laid()
        return _set_by_line(dots, head)


def _set_by_line(dots: Dots, head: LineHead) -> Dots:
    """The dots of one strobe after another."""
    strobe_of = strobes(dots, head)
    paper = np.zeros_like(dots)
    for strobe in range(int(strobe_of.max(initial=-1)) + 1):
        paper |= strobe_of == strobe
    return paper
