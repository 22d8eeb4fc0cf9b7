"""The machine's own end: what a driver must do, whatever the machine."""

from __future__ import annotations

from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from machines.errors import DayrollError
from machines.model.head import HeadPlan
from machines.model.position import Feed


class Driver(Protocol):
    """Something that moves paper, sets dots and cuts. Places are counted in columns of paper since the first.

    The agent orders absolute places, never a rate: an order that arrives twice is seen to be the same.
    """

    @property
    def asked_every_s(self) -> float:
        """How often `conditions` is to be called at least while the machine waits, real seconds."""

    def lay(self, place: int, dots: NDArray[np.bool_], first_column: int) -> None:
        """Set columns of dots side by side from a place on, feeding the paper past the head as needed.

        Args:
            place: where the first of them lies. Never before the end of what was laid: the paper feeds one way, and
                places left out stay as they are.
            dots: bool, shape (dots_across, columns).
            first_column: running column of the first, for the assignment of nozzles.

        Raises:
            MachineStopped: the machine cannot go on; its keywords say why.
        """

    def lay_pattern(self, place: int, pattern: NDArray[np.bool_] | HeadPlan) -> None:
        """Set what is of no picture, blank paper or a test pattern, from a place on, as `lay` does.

        Args:
            place: where its first column lies; never before the end of what was laid.
            pattern: dots, bool, shape (dots_across, columns), which the nozzles set as they set a picture's; or what
                each nozzle of a carriage head does, which no calibration changes.

        Raises:
            MachineStopped: the machine cannot go on; its keywords say why.
        """

    def keep_open(self) -> None:
        """Fire nozzles that have been idle for too long into the waste, as the profile says. Called while the machine
        is to print and waits; never while a person holds it, as the carriage moves.

        Raises:
            MachineStopped: the machine cannot go on; its keywords say why.
        """

    def keep_quiet(self, for_s: float) -> None:
        """Fire no idle nozzle into the waste for so long from now, seconds, whatever is called; 0 lets it be done
        again, as it is where this is never called. Nothing moves for it, and it takes no time."""

    def cut(self, place: int) -> None:
        """Cut at a place, which stands under the knife now.

        Raises:
            MachineStopped: the knife cannot cut; its keywords say why.
        """

    def arm(self) -> None:
        """Let the knife cut, until the machine stops for whatever reason. Only a person beside it may cause this call.

        Raises:
            MachineStopped: it is not armed; its keywords say why.
        """

    def paper_end(self) -> int | None:
        """The place after the last that the machine itself remembers to have begun; None if it does not know.

        Raises:
            MachineStopped: it does not answer.
        """

    def column_end(self) -> int | None:
        """The running column after the last that the machine itself remembers to have begun, of whatever run that was;
        None if it does not know. A board that takes over a machine knows from it what the one before it laid.

        Raises:
            MachineStopped: it does not answer.
        """

    def set_place(self, place: int) -> bool:
        """Tell a machine that has lost it where the paper stands: under the head's first nozzle is this place. Only a
        person who looked at the paper may cause this call.

        Returns:
            whether it had lost it; False where it knows its place, and nothing changes.

        Raises:
            MachineStopped: it does not take it; its keywords say why.
        """

    def feed(self) -> Feed | None:
        """Where the paper stands by order and by measurement; None where no encoder says so, or not at this moment.

        Raises:
            MachineStopped: it does not answer.
        """

    def correct(self, mm: float) -> float:
        """Let the paper be fed so many millimetres further than was ordered; below 0, so much less than what is
        ordered next. It never goes back for this. Called between bursts only.

        Returns:
            how much of it the feed will do, in steps of its own: 0 where it can do none.

        Raises:
            MachineStopped: it cannot move; its keywords say why.
        """

    def conditions(self) -> tuple[str, ...]:
        """What is wrong now, in keywords of RFC 8011 section 5.4.12 and PWG 5100.9; empty for nothing.

        Called at least every ``asked_every_s`` while the machine waits, which keeps a watchdog quiet.
        """

    def halt(self) -> None:
        """Stop what is under way in another thread; what it lays or cuts ends with `MachineStopped`. Not a safety
        function: the stop control beside the machine is."""

    def close(self) -> None:
        """Stop the motion, cap and park the head."""


class MachineStopped(DayrollError):
    """The machine cannot go on.

    Attributes:
        keywords: why, in keywords of RFC 8011 section 5.4.12 and PWG 5100.9.
    """

    def __init__(self, *keywords: str) -> None:
        super().__init__(", ".join(keywords))
        self.keywords = keywords
