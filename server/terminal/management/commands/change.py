"""`dayroll change`: other values for fields of one thing, after a look at what that would do."""

from __future__ import annotations

from argparse import ArgumentParser
from typing import Any

from server.terminal.changing.asking import ask
from server.terminal.changing.in_words import preview_in_words
from server.terminal.changing.names import CHANGEABLE, clocks
from server.terminal.changing.order_command import OrderCommand, add_consent
from server.terminal.changing.typed import fields_typed

KINDS = [name for name, one in CHANGEABLE.items() if one.changeable is not None and one.changeable.change is not None]


class Command(OrderCommand):
    help = "Change fields of one thing, after a look at what that would do."
    example = "change opening first-night anchor.civil=2027-01-03T18:00 --reason 'the ferry'"

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("what", choices=KINDS)
        parser.add_argument("id", help="which")
        parser.add_argument(
            "fields", nargs="+", metavar="name=value", help="JSON where it is no text; null takes it away"
        )
        parser.add_argument("--reason", help="why, for the record")
        add_consent(parser)

    def handle(self, *args: Any, what: str, **options: Any) -> None:
        resource, id = CHANGEABLE[what], options["id"]
        address = f"{resource.plural}/{id}"
        seen = ask("GET", address)
        clock, ordered = clocks()(seen.body), resource.changeable
        body = fields_typed(options["fields"], ordered.command if ordered else object, clock)
        body |= {} if options["reason"] is None else {"reason": options["reason"]}
        preview = ask("PATCH", address, body, tag=seen.tag, preview="true").body
        self.carried_out(
            options,
            preview,
            preview_in_words(preview, clock),
            lambda query: ask("PATCH", address, body, tag=seen.tag, **query),
            f"{what} {id} is changed.",
        )
