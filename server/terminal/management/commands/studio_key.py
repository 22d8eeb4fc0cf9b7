"""`dayroll studio-key NAME`."""

from __future__ import annotations

from argparse import ArgumentParser
from typing import Any

from server.accounts.access import give_key, take_key
from server.accounts.at_terminal import at_the_terminal
from server.accounts.keys import key_of, listed
from server.accounts.principals import STUDIO
from server.terminal_command import TerminalCommand


class Command(TerminalCommand):
    names_fields = False
    help = (
        "Make a key to the API for somebody of the studio, and print it this once; or revoke or list keys of every "
        "role. `dayroll key make` makes one for a curator or a reader."
    )
    example = "studio-key robin"

    def add_arguments(self, parser: ArgumentParser) -> None:
        what = parser.add_mutually_exclusive_group(required=True)
        what.add_argument("name", nargs="?", help="who will hold the new key")
        what.add_argument("--revoke", metavar="NAME", help="make that key useless")
        what.add_argument("--list", action="store_true", help="the keys by name, role and visible prefix")

    def handle(self, *args: Any, **options: Any) -> None:
        if options["list"]:
            self.stdout.writelines(f"{line}\n" for line in listed())
        elif options["revoke"] is not None:
            take_key(key_of(options["revoke"]), at_the_terminal())
            self.stderr.write(f"The key of {options['revoke']} opens nothing any more.")
        else:
            self.stdout.write(give_key(options["name"], STUDIO, at_the_terminal()))
            self.stderr.write("Keep it now: only its hash is stored. Send it as `Authorization: Bearer <key>`.")
