"""`dayroll told`: who is told what is amiss, what was sent, a test, and that somebody sees to a matter."""

from __future__ import annotations

import json
from argparse import ArgumentParser
from collections.abc import Iterable
from typing import Any

from scheduling.log.models import Matter, Message
from scheduling.queries.names import require
from scheduling.telling.asking import see_to, send_test
from server import wiring
from server.accounts.at_terminal import at_the_terminal
from server.terminal.changing.asking import ask
from server.terminal.changing.order_command import OrderCommand, add_consent
from server.terminal.changing.typed import A_FILE

MOST_SHOWN = 100


class Command(OrderCommand):
    names_fields = False
    help = "Say who is told what is amiss, see what was sent, send a test, or say that you see to a matter."
    example = "told test night-desk"

    def add_arguments(self, parser: ArgumentParser) -> None:
        actions = parser.add_subparsers(dest="action", required=True)
        actions.add_parser("who", help="all who are told, as JSON that `told set` takes")
        setting = actions.add_parser("set", help="say who is told, in place of all before, from a file of JSON")
        setting.add_argument("file", help=A_FILE)
        setting.add_argument("--reason", help="why, for the record")
        add_consent(setting)
        test = actions.add_parser("test", help="have a test sent to one of them, whatever their hours")
        test.add_argument("id", help="of whom")
        secret = actions.add_parser("secret", help="by which webhooks to one of them are signed")
        secret.add_argument("id", help="of whom")
        actions.add_parser("matters", help="what is amiss, and was within ninety days, newest first")
        actions.add_parser("sent", help="what was sent, and is to be, newest first")
        seeing = actions.add_parser("see-to", help="say that somebody sees to a matter, so that nobody else is called")
        seeing.add_argument("id", help="of the matter")

    def handle(self, *args: Any, action: str, **options: Any) -> None:
        if action == "set":
            self.replaced(options, "recipients", "Who is told: set.")
        elif action == "test":
            send_test(options["id"], wiring.now(), wiring.chance())
            self.stdout.write(f"A test is sent to {options['id']}; `dayroll told sent` says when it was taken.")
        elif action == "secret":
            self.stdout.write(ask("GET", f"recipients/{options['id']}/secret").body["secret"])
        elif action == "see-to":
            by = at_the_terminal()
            see_to(require(Matter, "matter", options["id"]).id, by.actor, by.said_at)
            self.stdout.write("It is noted that somebody sees to it: nobody else is called.")
        elif action == "who":
            self.stdout.write(json.dumps(ask("GET", "recipients").body or {"recipients": []}, indent=2))
        else:
            self.stdout.writelines(f"{line}\n" for line in (_matters() if action == "matters" else _sent()))


def _matters() -> Iterable[str]:
    for row in Matter.objects.order_by("-told_from", "id")[:MOST_SHOWN]:
        state = "over" if row.over_at else "somebody sees to it" if row.acknowledged_at else "open"
        yield f"{row.id}  since {row.began_at:%Y-%m-%d %H:%M} UTC  {state}"


def _sent() -> Iterable[str]:
    for one in Message.objects.order_by("-made_at", "id")[:MOST_SHOWN]:
        of = f"{one.recipient or '-'}  {one.what}  {one.way}"
        yield f"{one.id}  {one.made_at:%Y-%m-%d %H:%M} UTC  {of}  {_became(one)}"


def _became(one: Message) -> str:
    if one.sent_at is not None:
        return f"taken {one.sent_at:%Y-%m-%d %H:%M} UTC"
    state = "waits" if one.given_up_at is None else "given up"
    return f"{state}: {one.problem}" if one.problem else state
