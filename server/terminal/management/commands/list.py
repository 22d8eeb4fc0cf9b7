"""`dayroll list`: what the server has a list of, a line each."""

from __future__ import annotations

import json
from argparse import ArgumentParser
from typing import Any
from urllib.parse import parse_qsl, urlsplit

from server.api.resources import RESOURCES
from server.terminal.changing.asking import ask
from server.terminal.changing.in_words import rows_in_words
from server.terminal.changing.names import clocks, resource_named
from server.terminal_command import TerminalCommand


class Command(TerminalCommand):
    help = "List what there is of something, a line each."
    example = "list openings"

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("what", metavar="WHAT", help=", ".join(one.plural for one in RESOURCES))
        parser.add_argument("--json", action="store_true", help="all that the API tells of each")

    def handle(self, *args: Any, what: str, **options: Any) -> None:
        address, query, rows = resource_named(what).plural, {"limit": "1000"}, list[Any]()
        while True:
            page = ask("GET", address, **query).body
            rows += page["results"]
            if page["next"] is None:
                break
            query = dict(parse_qsl(urlsplit(page["next"]).query))
        if options["json"]:
            self.stdout.write(json.dumps(rows, ensure_ascii=False, indent=2))
        else:
            self.stdout.writelines(f"{line}\n" for line in rows_in_words(rows, clocks()))
