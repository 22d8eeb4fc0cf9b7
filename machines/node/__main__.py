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
from machines.clock import board_clock
from machines.errors import DayrollError, InputError
from machines.node import cli_manual, cli_run
from machines.node.agent import agent_runs
from machines.node.cli_manual import Commands
from machines.node.enrolment_input import ASK, NeverOnTheLine, checked_server, secret
from machines.node.manual.arming import act, ask_to_arm
from machines.node.panel.pin import hashed
from machines.node.printing.loop import MustNotPrint
from machines.node.status import gather
from machines.node.store import identity
from machines.node.store.journal import open_journal
from machines.node.sync import reachability
from machines.node.sync.client import Client
from machines.node.sync.failures import CallFailed
from machines.node.work import takeover
from machines.operator import holds
from machines.operator.safety_notes import KNIFE_NOTE, UNATTENDED
from machines.protocol.journal_entries import Action

ACTIONS: Mapping[Action, str] = {
    "stop": "stand still, until released; not a safety function, the stop control beside the machine is",
    "release": "end a stop; the machine then waits for resume",
    "pause": "stand still, head capped, until resumed",
    "park": "stand still, head parked for service, until resumed",
    "resume": "print on; look at the machine first",
    "roll-changed": "a full roll was put in",
    "cartridge-changed": "a full cartridge was put in",
    "blade-changed": "a new blade was put in",
    "roll-not-changed": "take back a roll-changed that was a mistake; for as long as a turn of paper",
    "cartridge-not-changed": "take back a cartridge-changed that was a mistake; for as long as a turn of paper",
    "blade-not-changed": "take back a blade-changed that was a mistake; for as long as a turn of paper",
}


# What a failure ends a command with, by its kind; 1 for any other.
STATUS: Mapping[type[DayrollError], int] = {InputError: 2, CallFailed: 3, MustNotPrint: 4}


def _say(message: str) -> None:
    sys.stderr.write(message)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit status."""
    options = parser_for(os.environ).parse_args(arguments)
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


def parser_for(environ: Mapping[str, str]) -> argparse.ArgumentParser:
    """What this command takes, with defaults from the environment."""
    parser = argparse.ArgumentParser(prog="dayroll-node", description="The agent beside a machine.", epilog=__doc__)
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    commands = parser.add_subparsers(title="commands", required=True)
    added = [
        _add_enrol(commands),
        cli_run.add_to(commands, environ),
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


def _add_status(commands: Commands) -> argparse.ArgumentParser:
    status: argparse.ArgumentParser = commands.add_parser("status", help="say how this node is")
    status.add_argument("--json", action="store_true", help="for programs")
    status.set_defaults(command=_status)
    return status


def _add_arm(commands: Commands) -> argparse.ArgumentParser:
    arm: argparse.ArgumentParser = commands.add_parser(
        "arm", help="let the knife cut again; only beside the machine", epilog=KNIFE_NOTE
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
        said = holds.AT_MACHINE[journal.state().hold]
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


def _status(options: argparse.Namespace) -> int:
    journal = open_journal(options.home)
    try:
        status = gather(options.home, journal, board_clock(os.environ))
    finally:
        journal.close()
    sys.stdout.write((json.dumps(status.as_json(), indent=2) if options.json else status.as_text()) + "\n")
    return 0


def _arm(options: argparse.Namespace) -> int:
    sys.stdout.write(KNIFE_NOTE)
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
