"""``dayroll-node``: enrol a board, run it, ask how it is, and do by hand what a person beside the machine must.

Exit status: 0 done; 1 a fault of this program, or what has no number here; 2 something given cannot be used; 3 the
server refused or was not reached; 4 fenced off, another board has taken over; 5 the files of its
folder cannot be read or written.
"""

from __future__ import annotations

import argparse
import json
import logging
import os
import sqlite3
import sys
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

from machines.chance import SYSTEM
from machines.clock import SystemClock, board_clock, true_clock
from machines.drivers.serial.machine import BAUD, SerialMachine, open_serial
from machines.drivers.simulated.fault_file import FaultFile, read_faults
from machines.drivers.simulated.machine import SimulatedMachine, no_faults
from machines.errors import DayrollError, InputError
from machines.model.calibration import Calibration
from machines.model.profile import Profile
from machines.node import cli_manual
from machines.node.agent import agent_runs, run
from machines.node.cli_manual import Commands
from machines.node.device.controller import OpenDriver
from machines.node.enrolment_input import ASK, NeverOnTheLine, checked_server, secret
from machines.node.manual.arming import act, ask_to_arm
from machines.node.panel.pin import hashed
from machines.node.panel.serving import read_address
from machines.node.printing.loop import MustNotPrint
from machines.node.settings import Settings
from machines.node.status import gather
from machines.node.store import identity
from machines.node.store.journal import open_journal
from machines.node.sync import reachability
from machines.node.sync.client import Client
from machines.node.sync.failures import CallFailed
from machines.node.systemd import teller
from machines.node.work import takeover
from machines.operator import holds
from machines.operator.safety_notes import KNIFE, UNATTENDED
from machines.protocol.journal_entries import Action
from machines.protocol.messages import RunWork

HORIZON_VARIABLE = "DAYROLL_HORIZON"
COMMIT_VARIABLE = "DAYROLL_COLUMNS_PER_COMMIT"
ACTIONS: Mapping[Action, str] = {
    "stop": "stand still, until released; not a safety function, the stop control beside the machine is",
    "release": "end a stop; the machine then waits for resume",
    "pause": "stand still, head capped, until resumed",
    "park": "stand still, head parked for service, until resumed",
    "resume": "print on; look at the machine first",
    "roll-changed": "a full roll was put in",
    "cartridge-changed": "a full cartridge was put in",
    "blade-changed": "a new blade was put in",
}


# What a failure ends a command with, by its kind; 1 for any other.
STATUS: Mapping[type[DayrollError], int] = {InputError: 2, CallFailed: 3, MustNotPrint: 4}


def _say(message: str) -> None:
    sys.stderr.write(message)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit status."""
    options = _parser(os.environ).parse_args(arguments)
    logging.basicConfig(level=logging.INFO, format="%(levelname)s %(message)s", stream=sys.stderr)
    return guarded(lambda: int(options.command(options)))


def guarded(command: Callable[[], int], say: Callable[[str], object] = _say) -> int:
    """The exit status of a command: its own, or what its failure comes to, which is said."""
    try:
        return command()
    except DayrollError as error:
        status = next((status for kind, status in STATUS.items() if isinstance(error, kind)), 1)
        why = str(error)
    except (sqlite3.Error, OSError) as error:
        status = 5
        why = f"cannot read or write its files, and never prints blind: {error}; make room, and check the card"
    say(f"dayroll-node: {why}\n")
    return status


def _parser(environ: Mapping[str, str]) -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="dayroll-node", description="The agent beside a machine.", epilog=__doc__)
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    commands = parser.add_subparsers(title="commands", required=True)
    added = [
        _add_enrol(commands),
        _add_run(commands, environ),
        _add_status(commands),
        _add_arm(commands),
        *(_add_action(commands, action, text) for action, text in ACTIONS.items()),
        *cli_manual.add_to(commands),
    ]
    for command in added:
        command.add_argument("--home", required=True, type=Path, metavar="DIR", help="this machine's folder")
    return parser


def _add_enrol(commands: Commands) -> argparse.ArgumentParser:
    enrol: argparse.ArgumentParser = commands.add_parser(
        "enrol", help="take over a machine with a one-time code from the studio"
    )
    enrol.add_argument("--server", required=True, metavar="URL", help="address of the server, such as https://host")
    enrol.add_argument(
        "--plain-http",
        action="store_true",
        help="let the server's address be of http; everybody on the way reads the token, and can answer in its place",
    )
    enrol.add_argument(
        "--code-file",
        default=ASK,
        metavar="FILE",
        help="whose first line is the one-time code; without it, it is asked for and not shown, or read from standard"
        " input",
    )
    cli_manual.add_pin_file(enrol)
    enrol.add_argument("--code", action=NeverOnTheLine, help=argparse.SUPPRESS)
    enrol.set_defaults(command=_enrol)
    return enrol


def _add_run(commands: Commands, environ: Mapping[str, str]) -> argparse.ArgumentParser:
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


def _add_status(commands: Commands) -> argparse.ArgumentParser:
    status: argparse.ArgumentParser = commands.add_parser("status", help="say how this node is")
    status.add_argument("--json", action="store_true", help="for programs")
    status.set_defaults(command=_status)
    return status


def _add_arm(commands: Commands) -> argparse.ArgumentParser:
    arm: argparse.ArgumentParser = commands.add_parser(
        "arm", help="let the knife cut again; only beside the machine", epilog=KNIFE
    )
    arm.formatter_class = argparse.RawDescriptionHelpFormatter
    arm.add_argument("--yes", action="store_true", help="do not ask")
    arm.set_defaults(command=_arm)
    return arm


def _add_action(commands: Commands, action: Action, text: str) -> argparse.ArgumentParser:
    command: argparse.ArgumentParser = commands.add_parser(action, help=text, epilog=UNATTENDED)
    command.formatter_class = argparse.RawDescriptionHelpFormatter
    command.set_defaults(command=_act, action=action)
    return command


def _act(options: argparse.Namespace) -> int:
    """Leave word in the journal; an agent that runs takes it up at once, one that does not when it begins."""
    journal = open_journal(options.home)
    try:
        more = act(journal, options.action, runs=agent_runs(options.home))
        said = holds.PANEL_WORDS[journal.state().hold]
    finally:
        journal.close()
    sys.stdout.write((UNATTENDED if options.action == "resume" else "") + f"Noted. The machine: {said}.{more}\n")
    return 0


def _enrol(options: argparse.Namespace) -> int:
    if agent_runs(options.home):
        raise InputError("home", f"an agent is running in {options.home}", "stop it before you enrol again")
    server = checked_server(options.server, plain_http=options.plain_http)
    client = Client(server)
    pin = cli_manual.pin_given(options)
    kept = hashed(pin, SYSTEM)
    code = secret("code", options.code_file)
    journal = open_journal(options.home, create=True)  # before the code is spent
    try:
        enrolled = client.enrol(code)
        with journal.transaction() as db:
            takeover.enrol(db, enrolled.at(server), enrolled.earlier)
            identity.keep_pin(db, kept)
            reachability.forget(db)
    finally:
        journal.close()
        client.close()
    sys.stdout.write(
        f"Enrolled as the board of machine {enrolled.machine}. {cli_manual.pin_in_words(options, pin)}"
        f" Next: dayroll-node run --home {options.home}\n"
    )
    return 0


def _run(options: argparse.Namespace) -> int:
    sys.stderr.write(UNATTENDED)
    panel = None if options.panel is None else read_address(options.panel)
    settings = Settings(
        panel=panel,
        stop_without_pin=options.stop_without_pin,
        horizon=options.horizon,
        columns_per_commit=options.columns_per_commit,
        resume_unattended=options.resume_unattended,
        battery_clock_ppm=options.battery_clock,
    )
    run(options.home, board_clock(os.environ), _machine(options), settings, teller(os.environ))
    return 0


def _machine(options: argparse.Namespace) -> OpenDriver:
    if options.machine == "simulated":
        if options.device:
            raise InputError("device", "a simulated machine has none", "leave it out, or give --machine serial")
        if options.faults is not None:
            read_faults(options.faults)  # said at once, not when the first work arrives
        return _simulated(options.home / "paper", options.faults)
    if options.faults is not None:
        raise InputError("faults", "a real machine has its own", "leave it out, or give --machine simulated")
    if not options.device:
        raise InputError("device", "none was given", "give --device with the machine's serial device")
    return _serial(options.device, options.baud)


def _serial(device: str, baud: int) -> OpenDriver:
    def open_driver(profile: Profile, of_run: RunWork, calibration: Calibration) -> SerialMachine:
        return open_serial(device, profile, of_run.nozzle_seed, SystemClock(), baud, calibration)

    return open_driver


def _simulated(folder: Path, faults: Path | None) -> OpenDriver:
    clock = true_clock(os.environ)

    def open_driver(profile: Profile, of_run: RunWork, calibration: Calibration) -> SimulatedMachine:
        wrong = no_faults if faults is None else FaultFile(faults, profile)
        return SimulatedMachine(folder, profile, of_run.nozzle_seed, clock, calibration=calibration, faults=wrong)

    return open_driver


def _status(options: argparse.Namespace) -> int:
    journal = open_journal(options.home)
    try:
        status = gather(options.home, journal, board_clock(os.environ))
    finally:
        journal.close()
    sys.stdout.write((json.dumps(status.as_json(), indent=2) if options.json else status.as_text()) + "\n")
    return 0


def _arm(options: argparse.Namespace) -> int:
    sys.stdout.write(KNIFE)
    journal = open_journal(options.home)
    try:
        if not agent_runs(options.home):
            raise InputError("home", f"no agent is running in {options.home}", "start it first: dayroll-node run")
        if not options.yes and input("Type arm to arm the knife: ").strip() != "arm":
            sys.stdout.write("The knife stays as it was.\n")
            return 0
        ask_to_arm(journal)
    finally:
        journal.close()
    sys.stdout.write("The knife is armed.\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
