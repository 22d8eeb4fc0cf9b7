"""The command ``run`` of ``dayroll-node``: what it may be given, and which machine is beside the board."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Mapping
from pathlib import Path

from machines.clock import SystemClock, board_clock, true_clock
from machines.drivers.serial.machine import BAUD, SerialMachine, open_serial
from machines.drivers.simulated.fault_file import FaultFile, read_faults
from machines.drivers.simulated.machine import SimulatedMachine, no_faults
from machines.errors import InputError
from machines.model.calibration import Calibration
from machines.model.profile import Profile
from machines.node.agent import run
from machines.node.cli_manual import Commands
from machines.node.device.controller import OpenDriver
from machines.node.panel.serving import read_address
from machines.node.settings import Settings
from machines.node.systemd import teller
from machines.operator.safety_notes import UNATTENDED
from machines.protocol.messages import RunWork

HORIZON_VARIABLE = "DAYROLL_HORIZON"
COMMIT_VARIABLE = "DAYROLL_COLUMNS_PER_COMMIT"


def add_to(commands: Commands, environ: Mapping[str, str]) -> argparse.ArgumentParser:
    """Add it; the parser, to which ``--home`` is still to be added."""
    running: argparse.ArgumentParser = commands.add_parser(
        "run", help="print, until SIGTERM or SIGINT", epilog=UNATTENDED
    )
    running.formatter_class = argparse.RawDescriptionHelpFormatter
    _add_machine(running)
    _add_work(running, environ)
    running.add_argument(
        "--panel",
        metavar="ADDRESS:PORT",
        help="serve the panel there, such as 192.168.4.1:8370, an address of the node's own network; it is not"
        " encrypted, so not on a network of strangers",
    )
    running.add_argument(
        "--panel-called",
        metavar="URL",
        help="where people find the panel, such as http://machine-7.local:8370, if not at the address of --panel: the"
        " machine's page and the day's sheet at the server show it, and it answers to that name",
    )
    running.add_argument(
        "--stop-without-pin",
        action="store_true",
        help="let anybody in the panel's network stop and pause the machine, so that nobody's wrong PINs keep staff"
        " from it; to let it go on, and all else, still wants the PIN",
    )
    running.set_defaults(command=_run)
    return running


def _add_machine(running: argparse.ArgumentParser) -> None:
    """What is beside this board."""
    running.add_argument(
        "--machine", choices=["simulated", "serial"], default="simulated", help="what is beside this board"
    )
    running.add_argument("--device", metavar="PATH", help="serial device of the machine, such as /dev/ttyACM0")
    running.add_argument(
        "--faults",
        type=Path,
        metavar="FILE",
        help="what is wrong with a simulated machine, and from when: JSON such as"
        ' {"faults": [{"kind": "slip", "at": "2026-11-02T09:00:00Z", "share": 0.005}]};'
        " kinds and all else that it may hold: machines/drivers/simulated/faults.py and fault_file.py",
    )
    running.add_argument(
        "--battery-clock",
        type=float,
        metavar="PPM",
        help="a battery keeps the board's clock while the power is off, and it runs wrong by so many parts per million"
        " at most (its maker states it, such as 20): after a power cut it is printed by, while the server is not heard",
    )
    running.add_argument("--baud", type=int, default=BAUD, help=f"of the serial device (default {BAUD})")


def _add_work(running: argparse.ArgumentParser, environ: Mapping[str, str]) -> None:
    """How far ahead work is held, and how it is gone on with."""
    running.add_argument(
        "--horizon",
        default=environ.get(HORIZON_VARIABLE, Settings.horizon),
        help=f"how far ahead to hold work, ISO 8601 (default {Settings.horizon}, or {HORIZON_VARIABLE})",
    )
    running.add_argument(
        "--columns-per-commit",
        type=int,
        default=environ.get(COMMIT_VARIABLE, Settings.columns_per_commit),
        help="columns that a power cut may leave unknown; each commit is two writes to the card"
        f" (default {Settings.columns_per_commit}, at least a burst, or {COMMIT_VARIABLE})",
    )
    running.add_argument(
        "--resume-unattended",
        action="store_true",
        help="print on by itself after an unplanned stop, a power cut for one. Only where the venue's own assessment"
        " allows it (unexpected start-up: ISO 14118); without it a person at the machine must resume",
    )


def _run(options: argparse.Namespace) -> int:
    sys.stderr.write(UNATTENDED)
    panel = None if options.panel is None else read_address(options.panel)
    settings = Settings(
        panel=panel,
        panel_called=options.panel_called,
        stop_without_pin=options.stop_without_pin,
        horizon=options.horizon,
        columns_per_commit=options.columns_per_commit,
        resume_unattended=options.resume_unattended,
        battery_clock_ppm=options.battery_clock,
    )
    if settings.panel is not None:
        found = settings.panel_found_at or f"port {settings.panel[1]} of this board"
        sys.stderr.write(f"The panel: {found}\n")
    run(options.home, board_clock(os.environ), open_driver_of(options), settings, teller(os.environ))
    return 0


def open_driver_of(options: argparse.Namespace) -> OpenDriver:
    """What opens the driver of the machine that is beside this board.

    Raises:
        InputError: what was given does not go together, or cannot be read.
    """
    if options.machine == "simulated":
        if options.device:
            raise InputError("device", "a simulated machine has none", "leave it out, or give --machine serial")
        if options.faults is not None:
            read_faults(options.faults)  # said at once, not when the first work arrives
        return simulated_opener(options.home / "paper", options.faults)
    if options.faults is not None:
        raise InputError("faults", "a real machine has its own", "leave it out, or give --machine simulated")
    if not options.device:
        raise InputError("device", "none was given", "give --device with the machine's serial device")
    return _serial(options.device, options.baud)


def _serial(device: str, baud: int) -> OpenDriver:
    def open_driver(profile: Profile, of_run: RunWork, calibration: Calibration) -> SerialMachine:
        return open_serial(device, profile, of_run.nozzle_seed, SystemClock(), baud, calibration)

    return open_driver


def simulated_opener(folder: Path, faults: Path | None) -> OpenDriver:
    """What opens a simulated machine: with its paper in a folder, and with the faults that a file plans."""
    clock = true_clock(os.environ)

    def open_driver(profile: Profile, of_run: RunWork, calibration: Calibration) -> SimulatedMachine:
        wrong = no_faults if faults is None else FaultFile(faults, profile)
        return SimulatedMachine(folder, profile, of_run.nozzle_seed, clock, calibration=calibration, faults=wrong)

    return open_driver
