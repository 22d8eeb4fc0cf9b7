"""Commands for a person at the board that want the machine to do something by hand, or that tell the board something:
``feed``, ``cut``, ``test-pattern``, ``set-place``, ``set-time``, ``call`` and ``pin``."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

from machines.chance import SYSTEM
from machines.clock import board_clock
from machines.errors import InputError
from machines.node.agent import agent_runs, boot_name
from machines.node.clock import kept_time, manual_time
from machines.node.enrolment_input import NeverOnTheLine, secret
from machines.node.manual import job, position_recovery, prints
from machines.node.manual.job import HandAction
from machines.node.panel.pin import hashed, new_pin
from machines.node.status import gather
from machines.node.store import identity
from machines.node.store.journal import Journal, open_journal
from machines.node.sync import call_now
from machines.node.sync.failures import Unreachable
from machines.node.work import held_work as holding
from machines.operator.safety_notes import ALWAYS_HOLDS, BESIDE

Commands = Any  # argparse gives its own no name
_CAUTIONS = {name: "".join(f"  - {text}\n" for text in (*BESIDE[name], ALWAYS_HOLDS)) for name in BESIDE}


def add_to(commands: Commands) -> list[argparse.ArgumentParser]:
    """Add them; the parsers, to which ``--home`` is still to be added."""
    feed = _by_hand(commands, "feed", "feed blank paper; only while it is paused")
    usual, least, most = job.FEED_MM, prints.LEAST_FEED_MM, prints.MOST_FEED_MM
    feed.add_argument("--mm", type=float, default=usual, help=f"length, {least:g} to {most:g} mm (default {usual:g})")
    cut = _by_hand(commands, "cut", "cut where the knife stands; only while it is paused and the knife armed")
    pattern = _by_hand(commands, "test-pattern", "print a test pattern on fresh paper; only while it is paused")
    pattern.add_argument(
        "pattern",
        choices=[*prints.PATTERN_LABELS],
        help="; ".join(f"{k}: {v}" for k, v in prints.PATTERN_LABELS.items()),
    )
    return [feed, cut, pattern, _set_place(commands), _set_time(commands), _call(commands), _pin(commands)]


def _command(
    commands: Commands, name: str, text: str, do: Callable[[argparse.Namespace], int], action: HandAction | None = None
) -> argparse.ArgumentParser:
    command: argparse.ArgumentParser = commands.add_parser(name, help=text, epilog=_CAUTIONS.get(action or name))
    command.formatter_class = argparse.RawDescriptionHelpFormatter
    command.set_defaults(command=do, name=name, action=action or name)
    return command


def _by_hand(commands: Commands, action: HandAction, text: str, name: str | None = None) -> argparse.ArgumentParser:
    command = _command(commands, name or action, text, _do_by_hand, action)
    command.add_argument("--yes", action="store_true", help="do not ask")
    command.set_defaults(mm=job.FEED_MM, pattern=None)
    return command


def _set_place(commands: Commands) -> argparse.ArgumentParser:
    command = _by_hand(commands, "place-set", "tell a machine that has lost it where its paper stands", "set-place")
    most = position_recovery.MOST_FED_MM
    command.add_argument(
        "--mm", type=float, default=0.0, help=f"of blank paper that was fed on by hand, 0 to {most:g} (default 0)"
    )
    return command


def _set_time(commands: Commands) -> argparse.ArgumentParser:
    command = _command(commands, "set-time", "set the time, where the server is out of reach", _do_set_time)
    command.add_argument("time", help="local date and time at this moment, such as 2026-11-02T14:03:00")
    command.add_argument("--zone", required=True, help="of that time, an IANA name, or UTC")
    usual = manual_time.USUAL_ERROR_S
    command.add_argument("--within", type=float, default=usual, help=f"how wrong it may be, s (default {usual:g})")
    command.add_argument("--yes", action="store_true", help="do not ask")
    return command


def _call(commands: Commands) -> argparse.ArgumentParser:
    return _command(commands, "call", "have the agent call the server now, instead of when its wait is over", _do_call)


def _pin(commands: Commands) -> argparse.ArgumentParser:
    command = _command(commands, "pin", "set another PIN of the panel", _do_pin)
    add_pin_file(command)
    return command


def add_pin_file(command: argparse.ArgumentParser) -> None:
    """The option for a PIN of one's own."""
    command.add_argument(
        "--pin-file",
        metavar="FILE",
        help="whose first line is the PIN of the panel, 6 to 12 digits; - to type it or to give it on standard input;"
        " without it one is made up and shown",
    )
    command.add_argument("--pin", action=NeverOnTheLine, help=argparse.SUPPRESS)


def pin_given(options: argparse.Namespace) -> str:
    """The PIN of one's own, or one that is made up.

    Raises:
        InputError: it cannot be read.
    """
    return new_pin(SYSTEM) if options.pin_file is None else secret("pin", options.pin_file)


def pin_in_words(options: argparse.Namespace, pin: str) -> str:
    """What to say of the PIN that was set; one of somebody's own is known to them, and not shown."""
    if options.pin_file is not None:
        return "The PIN of its panel is the one that was given; only a hash of it is kept."
    return f"PIN of its panel: {pin} (write it down, only a hash of it is kept)."


def _agreed(options: argparse.Namespace) -> bool:
    """Whether the person who was shown the cautions wants it."""
    name = options.name
    sys.stdout.write(_CAUTIONS[options.action])
    if options.yes or input(f"All is clear? Type {name} to go on: ").strip() == name:
        return True
    sys.stdout.write("Nothing was done.\n")
    return False


def _do_by_hand(options: argparse.Namespace) -> int:
    journal = open_journal(options.home)
    try:
        _require_agent(options.home)
        if options.action == "place-set":
            sys.stdout.write(_place_by_journal(journal))
        if _agreed(options):
            sys.stdout.write(_ask_and_wait(journal, options) + "\n")
    finally:
        journal.close()
    return 0


def _require_agent(home: Path) -> None:
    if not agent_runs(home):
        raise InputError("home", f"no agent is running in {home}", "start it first: dayroll-node run")


def _ask_and_wait(journal: Journal, options: argparse.Namespace) -> str:
    with journal.transaction() as db:
        asked = job.ask(db, options.action, length_mm=options.mm, pattern=options.pattern)
    return job.wait(journal, asked)


def _place_by_journal(journal: Journal) -> str:
    with journal.reading() as db:
        machine = holding.machine(db)
        if machine is None:
            return ""
        return position_recovery.in_words(position_recovery.place_under_head(db, machine[0]), machine[0]) + ".\n"


def _do_set_time(options: argparse.Namespace) -> int:
    """The time is that of the moment at which it was given, not of the moment at which the person agreed."""
    clock = board_clock(os.environ)
    instant, elapsed_s, boot = manual_time.instant_of(options.time, options.zone), clock.elapsed(), boot_name(clock)
    journal = open_journal(options.home)
    try:
        with journal.reading() as db:
            kept = kept_time.kept_time(db, boot)
        if problem := manual_time.why_not(None if kept is None else kept.estimate(elapsed_s)):
            raise InputError("time", f"nobody needs to set it: {problem}", "leave it as it is")
        if _agreed(options):
            with journal.transaction() as db:
                manual_time.say(db, boot, elapsed_s, instant, options.within)
            sys.stdout.write(f"Noted, to within {options.within:g} s, until the server is heard again.\n")
    finally:
        journal.close()
    return 0


def _do_call(options: argparse.Namespace) -> int:
    """Raises Unreachable: the agent called, and no answer of the server's came, or not the one that was hoped for."""
    journal = open_journal(options.home)
    try:
        _require_agent(options.home)
        with journal.transaction() as db:
            call_now.ask(db)
        call_now.wait(journal)
        found = gather(options.home, journal, board_clock(os.environ)).reach
    finally:
        journal.close()
    if found.kind:
        raise Unreachable(f"the agent has called: {found.in_words()} ({found.said})")
    sys.stdout.write(f"The agent has called. The server: {found.in_words()}.\n")
    return 0


def _do_pin(options: argparse.Namespace) -> int:
    pin = pin_given(options)
    kept = hashed(pin, SYSTEM)
    journal = open_journal(options.home)
    try:
        with journal.transaction() as db:
            identity.keep_pin(db, kept)
    finally:
        journal.close()
    sys.stdout.write(f"{pin_in_words(options, pin)} Who had entered is out.\n")
    return 0
