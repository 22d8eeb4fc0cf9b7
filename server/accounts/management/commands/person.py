"""`dayroll person`: accounts of people who sign in on the pages, of every role."""

from __future__ import annotations

import sys
from argparse import ArgumentParser
from getpass import getpass
from pathlib import Path
from typing import Any

from django.core.management.base import CommandError

from machines.errors import InputError
from server.accounts import access, people
from server.accounts.at_terminal import at_the_terminal
from server.accounts.management.grants import WHAT_ROLES_ARE, add_grant, granted
from server.environment import password_in
from server.terminal_command import TerminalCommand

MOST_TRIES = 3


class Command(TerminalCommand):
    names_fields = False
    help = (
        "Make, list, change, close or reopen accounts of people who sign in on the pages. "
        f"{WHAT_ROLES_ARE} `dayroll changepassword NAME` gives somebody a new password."
    )
    example = "person make kim --role curator --venue quay"

    def add_arguments(self, parser: ArgumentParser) -> None:
        actions = parser.add_subparsers(dest="action", required=True)
        make = actions.add_parser("make", help="make an account; its password is asked for, twice")
        make.add_argument("name", help="to sign in with")
        make.add_argument(
            "--password-file",
            metavar="FILE",
            help="with the password as its one line, in place of asking; a hyphen for what comes in on standard input",
        )
        add_grant(make)
        role = actions.add_parser("role", help="give somebody another role, or other venues")
        role.add_argument("name", help="to sign in with")
        add_grant(role)
        close = actions.add_parser("close", help="let somebody sign in no more, and sign them out")
        close.add_argument("name", help="to sign in with")
        reopen = actions.add_parser("reopen", help="let somebody whose account was closed sign in again, as before")
        reopen.add_argument("name", help="to sign in with")
        actions.add_parser("list", help="all accounts by number, with their roles and venues, closed ones too")

    def handle(self, *args: Any, action: str, **options: Any) -> None:
        if action == "list":
            self.stdout.writelines(f"{line}\n" for line in people.listed())
        else:
            carry_out = {"make": self._make, "role": self._role, "close": self._close, "reopen": self._reopen}
            self.stdout.write(carry_out[action](options))

    def _make(self, options: dict[str, Any]) -> str:
        name, standing = options["name"], granted(options)
        people.check_new_name(name)  # before anybody thinks of a password
        file = options["password_file"]
        password = self._password(name) if file is None else _password_from(name, file)
        access.add_person(name, password, standing, at_the_terminal())
        return f"{name} may sign in."

    def _role(self, options: dict[str, Any]) -> str:
        access.give_role(options["name"], granted(options), at_the_terminal())
        return f"The role of {options['name']} is changed."

    def _close(self, options: dict[str, Any]) -> str:
        access.close(options["name"], at_the_terminal())
        return f"{options['name']} signs in no more."

    def _reopen(self, options: dict[str, Any]) -> str:
        access.reopen(options["name"], at_the_terminal())
        return f"{options['name']} may sign in again."

    def _password(self, name: str) -> str:
        """What somebody at the terminal types twice; never an argument, which other users of the machine could see."""
        if not sys.stdin.isatty():
            raise CommandError("a password is asked for at a terminal; run this in one, or give --password-file")
        for _ in range(MOST_TRIES):
            password = getpass("Password: ")
            if getpass("Password (again): ") != password:
                self.stderr.write("These were not the same.")
                continue
            try:
                people.check_password(name, password)
            except InputError as error:
                self.stderr.write(error.remedy)
                continue
            return password
        raise CommandError(f"no password after {MOST_TRIES} tries; no account was made")


def _password_from(name: str, file: str) -> str:
    """The one line of a file, or the first of what comes in.

    Raises:
        InputError: it is none, or no password for them.
    """
    password = sys.stdin.readline().strip("\r\n") if file == "-" else password_in(Path(file))
    people.check_password(name, password)
    return password
