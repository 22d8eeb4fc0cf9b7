"""A board in trouble: `dayroll-node` as it is, but for the places where the world comes in.

The board's wall clock is set forth or back by the number in the file ``clock-step`` of its trouble folder; what counts
its seconds runs faster as the lines of ``slews`` say, from a second of the true clock, until one, by so many parts per
million; the machine beside it is jammed as long as there is a file ``jam``; and the boot is the one that the file
``boot`` names, with the second of the true clock at which it began, from where the board counts. Everything else is the
node's own program.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from machines.clock import Clock, board_clock
from machines.drivers import Driver, MachineStopped
from machines.model.calibration import Calibration
from machines.model.profile import Profile
from machines.node import __main__ as command_line
from machines.node import agent, cli_run
from machines.node.device.controller import OpenDriver
from machines.protocol.messages import RunWork

TROUBLE_VARIABLE = "DAYROLL_TEST_TROUBLE"
JAM = "media-jam-error"
# Name of the file that names the boot: a number of its own, and the second at which it began.
BOOT = "boot"
SLEWS = "slews"


def boot_anew(trouble: Path, began_s: float) -> None:
    """From its next start on, the board is in another boot."""
    (trouble / BOOT).write_text(f"boot-of-{began_s!r} {began_s!r}\n")


def boot_began(trouble: Path) -> float:
    """The second of the true clock at which the board's boot began."""
    return float((trouble / BOOT).read_text().split()[1])


def slew(trouble: Path, since_s: float, until_s: float, ppm: float) -> None:
    """Between two seconds of the true clock the board counts faster by so many parts per million."""
    file = trouble / SLEWS
    partial = file.with_suffix(".partial")
    partial.write_text((file.read_text() if file.exists() else "") + f"{since_s!r} {until_s!r} {ppm!r}\n")
    partial.rename(file)


def slewed_s(file: Path, elapsed_s: float) -> float:
    """How many seconds more than true were counted by a second of the true clock."""
    if not os.path.exists(file):  # noqa: PTH110 - the clock is read thousands of times, and a Path takes longest
        return 0.0
    slews = [map(float, line.split()) for line in file.read_text().splitlines()]
    return sum(1e-6 * ppm * (min(max(elapsed_s, since_s), until_s) - since_s) for since_s, until_s, ppm in slews)


@dataclass(frozen=True)
class SteppingClock:
    """A board's clock whose wall time steps while it runs; elapsed time cannot, but may be slewed.

    Attributes:
        base: the clock that it is but for the steps.
        file: holds the sum of the steps so far, seconds.
        slews: holds the slews.
        booted_s: second of the base at which this boot began.
    """

    base: Clock
    file: Path
    slews: Path
    booted_s: float = 0.0

    def now(self) -> float:
        """The board's belief of UTC, POSIX seconds."""
        return self.base.now() + (float(self.file.read_text()) if os.path.exists(self.file) else 0.0)  # noqa: PTH110 - as above

    def elapsed(self) -> float:
        """Elapsed seconds of this boot, which never step."""
        elapsed_s = self.base.elapsed()
        return elapsed_s - self.booted_s + slewed_s(self.slews, elapsed_s)

    def real_s(self, seconds: float) -> float:
        """The base's."""
        return self.base.real_s(seconds)


@dataclass
class JammingMachine:
    """A machine whose paper jams, in the middle of an order if one is under way, until the jam is cleared.

    Attributes:
        machine: that lays what is laid.
        jam: the file that is there while it is jammed.
    """

    machine: Driver
    jam: Path

    def lay(self, place: int, dots: NDArray[np.bool_], first_column: int) -> None:
        """Lay the columns, or the first half of them before the jam stops the machine."""
        if not self._is_jammed():
            self.machine.lay(place, dots, first_column)
            return
        half = dots.shape[1] // 2
        if half:
            self.machine.lay(place, dots[:, :half], first_column)
        raise MachineStopped(JAM)

    def cut(self, place: int) -> None:
        """Cut, unless jammed."""
        if self._is_jammed():
            raise MachineStopped(JAM)
        self.machine.cut(place)

    def conditions(self) -> tuple[str, ...]:
        """The machine's own, and the jam."""
        return (*self.machine.conditions(), *((JAM,) if self._is_jammed() else ()))

    def _is_jammed(self) -> bool:
        return os.path.exists(self.jam)  # noqa: PTH110 - as above

    def __getattr__(self, name: str) -> Any:
        """Everything else is the machine's own."""
        return getattr(self.machine, name)


def main() -> int:
    """Run a command of the node with the troubles of the folder that the environment names."""
    trouble = Path(os.environ[TROUBLE_VARIABLE])
    simulated = cli_run.simulated_opener

    def stepping(environ: Mapping[str, str]) -> Clock:
        return SteppingClock(board_clock(environ), trouble / "clock-step", trouble / SLEWS, boot_began(trouble))

    def jamming(folder: Path, faults: Path | None) -> OpenDriver:
        opened = simulated(folder, faults)

        def open_driver(profile: Profile, run: RunWork, calibration: Calibration) -> Driver:
            return JammingMachine(opened(profile, run, calibration), trouble / "jam")

        return open_driver

    agent.BOOT_ID = trouble / BOOT
    command_line.board_clock = cli_run.board_clock = stepping  # type: ignore[attr-defined]
    cli_run.simulated_opener = jamming
    return command_line.main()


if __name__ == "__main__":
    sys.exit(main())
