"""`dayroll show`: one of what the server has a list of, with all that is known of it."""

from __future__ import annotations

import json
from argparse import ArgumentParser
from typing import Any

from server.api.resources import RESOURCES
from server.terminal.changing.asking import ask
from server.terminal.changing.in_words import row_in_words
from server.terminal.changing.names import clocks, resource_named
from server.terminal_command import TerminalCommand


class Command(TerminalCommand):
    help = "Show one of something, a run with whether its machine knows."
    example = "show run spring"

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("what", metavar="WHAT", help=", ".join(one.name for one in RESOURCES))
        parser.add_argument("id", help="which")
        parser.add_argument("--json", action="store_true", help="as the API tells it")

    def handle(self, *args: Any, what: str, **options: Any) -> None:
        row = ask("GET", f"{resource_named(what).plural}/{options['id']}").body
        if options["json"]:
            self.stdout.write(json.dumps(row, ensure_ascii=False, indent=2))
        else:
            self.stdout.writelines(f"{line}\n" for line in row_in_words(row, clocks()(row)))
