"""`dayroll history`: what people made of one thing, step by step."""

from __future__ import annotations

import json
from argparse import ArgumentParser
from typing import Any

from server.terminal.changing.asking import ask
from server.terminal.changing.in_words import history_in_words
from server.terminal.changing.names import CHANGEABLE, clocks
from server.terminal_command import TerminalCommand


class Command(TerminalCommand):
    help = "Tell what people made of one thing: when, who, from what to what, why."
    example = "history run spring"

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("what", choices=CHANGEABLE)
        parser.add_argument("id", help="which")
        parser.add_argument("--json", action="store_true", help="as the API tells it")

    def handle(self, *args: Any, what: str, **options: Any) -> None:
        address = f"{CHANGEABLE[what].plural}/{options['id']}"
        row, told = ask("GET", address).body, ask("GET", f"{address}/history").body
        if options["json"]:
            self.stdout.write(json.dumps(told, ensure_ascii=False, indent=2))
        else:
            self.stdout.writelines(f"{line}\n" for line in history_in_words(told, clocks()(row)))
