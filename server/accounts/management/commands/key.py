"""`dayroll key`: keys to the API, of every role."""

from __future__ import annotations

from argparse import ArgumentParser
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from machines.errors import InputError
from server import wiring
from server.accounts.keys import listed, make_key, revoke_key
from server.accounts.management.grants import WHAT_ROLES_ARE, add_grant, granted


class Command(BaseCommand):
    help = f"Make, list or revoke keys to the API. {WHAT_ROLES_ARE}"

    def add_arguments(self, parser: ArgumentParser) -> None:
        actions = parser.add_subparsers(dest="action", required=True)
        make = actions.add_parser("make", help="make a key and print it this once")
        make.add_argument("name", help="who will hold it")
        add_grant(make)
        actions.add_parser("list", help="all keys by visible prefix, with their roles and venues, revoked ones too")
        revoke = actions.add_parser("revoke", help="make a key useless")
        revoke.add_argument("name", help="who holds it")

    def handle(self, *args: Any, action: str, **options: Any) -> None:
        try:
            if action == "make":
                self.stdout.write(make_key(options["name"], granted(options), wiring.now()))
                self.stderr.write("Keep it now: only its hash is stored. Send it as `Authorization: Bearer <key>`.")
            elif action == "revoke":
                revoke_key(options["name"], wiring.now())
                self.stderr.write(f"The key of {options['name']} opens nothing any more.")
            else:
                self.stdout.writelines(f"{line}\n" for line in listed())
        except InputError as error:
            raise CommandError(f"{error.problem}; {error.remedy}") from error
