"""`dayroll key`: keys to the API, of every role."""

from __future__ import annotations

from argparse import ArgumentParser
from datetime import timedelta
from typing import Any

from machines.errors import InputError
from server.accounts.access import give_key, take_key
from server.accounts.at_terminal import at_the_terminal
from server.accounts.keys import key_of, listed
from server.accounts.management.grants import WHAT_ROLES_ARE, add_grant, granted
from server.terminal_command import TerminalCommand

MOST_DAYS = 3650


class Command(TerminalCommand):
    names_fields = False
    help = f"Make, list or revoke keys to the API. {WHAT_ROLES_ARE}"
    example = "key make screen --role reader --days 90"

    def add_arguments(self, parser: ArgumentParser) -> None:
        actions = parser.add_subparsers(dest="action", required=True)
        make = actions.add_parser("make", help="make a key and print it this once")
        make.add_argument("name", help="who will hold it")
        add_grant(make)
        make.add_argument("--days", type=int, help="it opens nothing any more after so many days; without it, no end")
        actions.add_parser("list", help="all keys by visible prefix, with their roles and venues, revoked ones too")
        revoke = actions.add_parser("revoke", help="make a key useless")
        revoke.add_argument("name", help="who holds it")

    def handle(self, *args: Any, action: str, **options: Any) -> None:
        if action == "make":
            self.stdout.write(self._make(options))
            self.stderr.write("Keep it now: only its hash is stored. Send it as `Authorization: Bearer <key>`.")
        elif action == "revoke":
            take_key(key_of(options["name"]), at_the_terminal())
            self.stderr.write(f"The key of {options['name']} opens nothing any more.")
        else:
            self.stdout.writelines(f"{line}\n" for line in listed())

    def _make(self, options: dict[str, Any]) -> str:
        by, days = at_the_terminal(), options["days"]
        if days is not None and not 1 <= days <= MOST_DAYS:
            raise InputError("days", f"{days} days", f"give 1 to {MOST_DAYS}, or leave it out for a key without an end")
        ends_at = None if days is None else by.said_at + timedelta(days=days)
        return give_key(options["name"], granted(options), by, ends_at)
