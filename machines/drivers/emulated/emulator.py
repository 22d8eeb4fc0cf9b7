"""A node's serial device without a machine: an emulated microcontroller behind a pseudo-terminal.

    python -m machines.drivers.emulated.emulator --profile profile.json --paper paper/ --link /tmp/machine

prints the name of a serial device that a node can be given. It says on the terminal what reaches the paper, and takes
commands from there, one a line:

    raise KEYWORD      a condition comes up, such as cover-open-error
    clear KEYWORD      it is gone
    restart            the microcontroller loses power and gets it back
    unplug, plug       the wire is taken away and given back
    state              say how it stands

Nothing moves here. With a real machine the guards, interlocks and the stop control act in hardware; see PROTOCOL.md.
"""

from __future__ import annotations

import argparse
import json
import signal
import sys
import threading
from collections.abc import Callable, Sequence
from dataclasses import asdict
from pathlib import Path

import numpy as np

from machines.clock import Clock, SystemClock
from machines.drivers.emulated.controller import Controller
from machines.drivers.emulated.head import Drops, Make
from machines.drivers.emulated.machine import Memory
from machines.drivers.emulated.wire import EmulatedWire, PtyEmulator
from machines.drivers.emulated.wire_noise import NoisePlan
from machines.drivers.simulated.paper import PaperWriter
from machines.errors import InputError
from machines.model.profile import Profile
from machines.serialization import structure


class ToldPaper:
    """Says what reaches the paper, and keeps it in a folder if there is one."""

    def __init__(self, folder: PaperWriter | None, clock: Clock, tell: Callable[[str], object]) -> None:
        self._folder = folder
        self._clock = clock
        self._tell = tell

    def lay(self, place: int, column: int, drops: Drops) -> None:
        """A column leaves the head."""
        self._tell(f"laid place {place}, column {column}, {np.count_nonzero(drops)} dots")
        if self._folder is not None:
            self._folder.lay(place, drops[:, None] > 0, column, np.array([self._clock.now()]))

    def cut(self, place: int) -> None:
        """The knife has cut."""
        self._tell(f"cut before place {place}")
        if self._folder is not None:
            self._folder.cut(place, self._clock.now())


class MemoryFile:
    """The controller's memory in a file that a kill at any instant leaves whole."""

    def __init__(self, path: Path | None) -> None:
        self._path = path

    def read(self) -> Memory:
        """What it remembers; a new controller's memory if there is no file.

        Raises:
            InputError: the file cannot be read.
        """
        if self._path is None or not self._path.exists():
            return Memory()
        try:
            return structure(json.loads(self._path.read_text()), Memory)
        except ValueError as error:
            raise InputError("memory", f"{self._path}: {error}", "remove the file, or restore it") from error

    def keep(self, memory: Memory) -> None:
        """Write it down before anything moves."""
        if self._path is not None:
            partial = self._path.with_suffix(".partial")
            partial.write_text(json.dumps(asdict(memory)))
            partial.replace(self._path)


def main(arguments: Sequence[str] | None = None) -> int:
    """Emulate until SIGTERM or SIGINT, and return the exit status."""
    options = _parser().parse_args(arguments)
    try:
        return _run(options, _profile(options.profile))
    except (InputError, OSError) as error:
        sys.stderr.write(f"emulator: {error}\n")
        return 2


def _profile(path: Path) -> Profile:
    try:
        return Profile.from_json(json.loads(path.read_text()))
    except json.JSONDecodeError as error:
        raise InputError("profile", f"{path}: {error}", "give a profile as the API gives it, JSON") from error
    except InputError as error:
        raise error.within("profile") from None


def _run(options: argparse.Namespace, profile: Profile) -> int:
    clock, memory = SystemClock(), MemoryFile(options.memory)
    paper = PaperWriter(options.paper, profile) if options.paper else None
    make = Make.of(profile, step_s=options.step_ms / 1000, cut_s=options.cut_ms / 1000, slip=options.slip)
    controller = Controller(make, memory.read(), ToldPaper(paper, clock, _tell), memory.keep)
    noise = NoisePlan(seed=options.noise_seed, rate=options.noise_rate, longest_delay_s=options.delay_ms / 1000)
    wire = EmulatedWire(controller, noise)
    emulator = PtyEmulator(wire, clock)
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: emulator.stop())
    if options.link:
        _name(options.link, emulator.device)
    _tell(f"device {options.link or emulator.device}")
    threading.Thread(target=_take_commands, args=(emulator, wire), daemon=True).start()
    emulator.run()
    emulator.close()
    if options.link:
        options.link.unlink(missing_ok=True)
    if paper is not None:
        paper.close()
    return 0


def _name(link: Path, device: str) -> None:
    """Give the device a name that stays."""
    if link.is_symlink():
        link.unlink()
    link.symlink_to(device)


def _tell(line: str) -> None:
    sys.stdout.write(line + "\n")
    sys.stdout.flush()


def _take_commands(emulator: PtyEmulator, wire: EmulatedWire) -> None:
    for line in sys.stdin:
        command = command_of(line.split(), wire)
        if command is None:
            _tell("no such command; there are: raise KEYWORD, clear KEYWORD, restart, unplug, plug, state")
        else:
            emulator.tell(command)


def command_of(words: list[str], wire: EmulatedWire) -> Callable[[], None] | None:
    """What a line of the terminal means; None if nothing."""
    controller = wire.controller
    match words:
        case ["raise", keyword]:
            return lambda: controller.raise_condition(keyword)
        case ["clear", keyword]:
            return lambda: controller.clear_condition(keyword)
        case ["restart"]:
            return controller.restart
        case ["unplug"]:
            return lambda: setattr(wire, "plugged", False)
        case ["plug"]:
            return lambda: setattr(wire, "plugged", True)
        case ["state"]:
            return lambda: _tell(_state(controller))
    return None


def _state(controller: Controller) -> str:
    machine = controller.machine
    head = "capped" if machine.capped else "open"
    knife = "armed" if machine.armed else "disarmed"
    return f"{machine.memory}, head {head}, knife {knife}, {'moving' if controller.moving else 'standing still'}"


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="python -m machines.drivers.emulated.emulator",
        description=__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--profile", required=True, type=Path, metavar="FILE", help="of the machine, JSON")
    parser.add_argument("--paper", type=Path, metavar="DIR", help="keep the paper in this folder")
    parser.add_argument("--memory", type=Path, metavar="FILE", help="what outlives the emulator; without it, nothing")
    parser.add_argument("--link", type=Path, metavar="PATH", help="give the device this name")
    parser.add_argument("--step-ms", type=float, default=20.0, help="how long one step takes (default 20)")
    parser.add_argument("--cut-ms", type=float, default=1000.0, help="how long one cut takes (default 1000)")
    parser.add_argument("--slip", type=float, default=0.0, help="part of the paper's way that the encoder misses")
    parser.add_argument("--noise-rate", type=float, default=0.0, help="how likely each line is hurt, 0 to 1")
    parser.add_argument("--noise-seed", type=int, default=0, help="of the noise")
    parser.add_argument("--delay-ms", type=float, default=0.0, help="longest delay of what the noise delays")
    return parser


if __name__ == "__main__":
    sys.exit(main())
