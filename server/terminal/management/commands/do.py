"""`dayroll do`: something that is done to one thing as a whole, after a look at what that would do."""

from __future__ import annotations

import inspect
import re
from argparse import ArgumentParser
from dataclasses import MISSING, fields
from typing import Any, Literal, get_args, get_origin, get_type_hints

from server.api.changes import AnAct
from server.terminal.changing.asking import ask
from server.terminal.changing.in_words import preview_in_words
from server.terminal.changing.names import CHANGEABLE, clocks
from server.terminal.changing.order_command import OrderCommand, add_consent
from server.terminal.changing.typed import value_typed

TYPED = "typed:"
AN_ATTRIBUTE = re.compile(r" {4}(?P<names>\w+(, \w+)*): (?P<said>.*)")


class Command(OrderCommand):
    help = "Do something to one thing as a whole, after a look at what that would do."
    example = "do run spring end --at 2027-01-03T18:00 --boundary strip"

    def add_arguments(self, parser: ArgumentParser) -> None:
        kinds = parser.add_subparsers(dest="what", required=True)
        for name, resource in CHANGEABLE.items():
            assert resource.changeable is not None
            kind = kinds.add_parser(name, help=", ".join(resource.changeable.acts))
            kind.add_argument("id", help="which")
            acts = kind.add_subparsers(dest="act", required=True)
            for act, done in resource.changeable.acts.items():
                _add_act(acts.add_parser(act, help=_plain(done.said), description=_plain(done.said)), done)

    def handle(self, *args: Any, what: str, act: str, **options: Any) -> None:
        resource, id = CHANGEABLE[what], options["id"]
        assert resource.changeable is not None
        address = f"{resource.plural}/{id}"
        seen = ask("GET", address)
        clock, kinds = clocks()(seen.body), get_type_hints(resource.changeable.acts[act].reads)
        typed = {name.removeprefix(TYPED): text for name, text in options.items() if name.startswith(TYPED)}
        body = {name: value_typed(text, kinds[name], name, clock) for name, text in typed.items() if text is not None}
        preview = ask("POST", f"{address}/{act}", body, tag=seen.tag, preview="true").body
        self.carried_out(
            options,
            preview,
            preview_in_words(preview, clock),
            lambda query: ask("POST", f"{address}/{act}", body, tag=seen.tag, **query),
            f"{what} {id}: {act} is done.",
        )


def _add_act(parser: ArgumentParser, act: AnAct) -> None:
    kinds, told = get_type_hints(act.reads), _attributes(act.reads)
    for one in fields(act.reads):
        literals = [kind for kind in (kinds[one.name], *get_args(kinds[one.name])) if get_origin(kind) is Literal]
        parser.add_argument(
            f"--{one.name.replace('_', '-')}",
            dest=f"{TYPED}{one.name}",
            metavar=None if literals else "VALUE",
            choices=get_args(literals[0]) if literals else None,
            required=one.default is MISSING and one.default_factory is MISSING,
            help=told.get(one.name, "why, for the record" if one.name == "reason" else None),
        )
    add_consent(parser)


def _attributes(reads: type[Any]) -> dict[str, str]:
    """What the class's docstring says of its fields."""
    told, names = dict[str, str](), list[str]()
    for line in (inspect.getdoc(reads) or "").partition("Attributes:\n")[2].splitlines():
        if begins := AN_ATTRIBUTE.fullmatch(line):
            names = begins["names"].split(", ")
        told |= {
            name: f"{told.get(name, '')} {_plain(begins['said'] if begins else line.strip())}".strip() for name in names
        }
    return told


def _plain(said: str) -> str:
    """For a parser's help, in which a percent sign begins something."""
    return said.replace("``", "").replace("%", "%%")
