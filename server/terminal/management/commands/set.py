"""`dayroll set`: what is kept of one thing as a whole, from a file, after a look at what that would do."""

from __future__ import annotations

from argparse import ArgumentParser
from typing import Any

from django.core.management.base import CommandError

from server.terminal.changing.asking import ask
from server.terminal.changing.in_words import preview_in_words
from server.terminal.changing.names import clocks, kept, resource_named
from server.terminal.changing.order_command import OrderCommand, add_consent
from server.terminal.changing.typed import A_FILE, json_in


class Command(OrderCommand):
    help = "Set what is kept of one thing as a whole, in place of all before, from a file of JSON."
    example = "set hours quay week.json --reason summer"

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("what", choices=kept())
        parser.add_argument("id", help="of whose: a venue's hours, a machine's calibration")
        parser.add_argument("file", help=A_FILE)
        parser.add_argument("--reason", help="why, for the record, where one is kept")
        add_consent(parser)

    def handle(self, *args: Any, what: str, file: str, **options: Any) -> None:
        one, id, body = kept()[what], options["id"], json_in(file)
        if options["reason"] is not None:
            if not one.has_reason:
                raise CommandError(f"no reason is kept with {what}; leave --reason out")
            body |= {"reason": options["reason"]}
        clock = clocks()(ask("GET", f"{resource_named(one.of).plural}/{id}").body)
        address = one.address(id)
        seen = ask("GET", address)
        if one.has_preview:
            preview = ask("PUT", address, body, tag=seen.tag, preview="true").body
        else:
            preview = {"fields": [], "in_words": [], "warnings": []}
            if body != seen.body:
                preview["fields"] = [{"field": what, "before": seen.body, "after": body}]
        self.carried_out(
            options,
            preview,
            preview_in_words(preview, clock),
            lambda query: ask("PUT", address, body, tag=seen.tag, **query),
            f"{what} of {id}: set.",
        )
