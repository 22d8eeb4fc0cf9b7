"""`dayroll calendar`: where calendars are, another address, and what a person's own shows and reminds of."""

from __future__ import annotations

import json
from argparse import ArgumentParser
from typing import Any

from django.conf import settings

from server.accounts.people import number_of
from server.terminal.changing.asking import ask
from server.terminal.changing.in_words import preview_in_words
from server.terminal.changing.order_command import OrderCommand, add_consent
from server.terminal.changing.typed import A_FILE


class Command(OrderCommand):
    names_fields = False
    help = "Show where a calendar is, make another address for it, or say what a person's own shows and reminds of."
    example = "calendar address --person kim"

    def add_arguments(self, parser: ArgumentParser) -> None:
        actions = parser.add_subparsers(dest="action", required=True)
        address = actions.add_parser("address", help="where it is, secret and all")
        _add_whose(address)
        renew = actions.add_parser("renew", help="make another address; at the one of before nothing is any more")
        _add_whose(renew)
        renew.add_argument("--reason", help="why, for the record")
        add_consent(renew)
        wishes = actions.add_parser("wishes", help="what a person's shows and reminds of, as JSON that `set` takes")
        wishes.add_argument("person", help="the name that they sign in with")
        setting = actions.add_parser("set", help="say that anew, in place of all before, from a file of JSON")
        setting.add_argument("person", help="the name that they sign in with")
        setting.add_argument("file", help=A_FILE)
        setting.add_argument("--reason", help="why, for the record")
        add_consent(setting)

    def handle(self, *args: Any, action: str, **options: Any) -> None:
        if action == "address":
            self.stdout.write(_in_full(ask("GET", f"{_whose(options)}/address").body))
        elif action == "renew":
            self._renew(options)
        elif action == "wishes":
            found = ask("GET", f"people/{number_of(options['person'])}/calendar")
            self.stdout.write(json.dumps(found.body, indent=2))
        else:
            person = options["person"]
            self.replaced(options, f"people/{number_of(person)}/calendar", f"The calendar of {person}: set.")

    def _renew(self, options: dict[str, Any]) -> None:
        address, body = f"{_whose(options)}/address", {"reason": options["reason"]}
        preview = ask("POST", address, body, preview="true").body
        self.carried_out(
            options,
            preview,
            preview_in_words(preview, None),
            lambda query: ask("POST", address, body, **query),
            "It has another address; `dayroll calendar address` shows it.",
        )


def _add_whose(parser: ArgumentParser) -> None:
    whose = parser.add_mutually_exclusive_group()
    whose.add_argument("--venue", metavar="ID", help="a venue's; where neither is given, that of all venues")
    whose.add_argument("--person", metavar="NAME", help="a person's, by the name that they sign in with")


def _whose(options: dict[str, Any]) -> str:
    if options["person"] is not None:
        return f"people/{number_of(options['person'])}/calendar"
    return "studio/calendar" if options["venue"] is None else f"venues/{options['venue']}/calendar"


def _in_full(known: dict[str, Any]) -> str:
    if known["address"] is None:
        return "It has no address yet; `dayroll calendar renew` makes one."
    return f"{settings.ADDRESS}{known['address']}"
