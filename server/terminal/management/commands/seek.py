"""`dayroll seek`: when a run is to begin, so that it does what is wished of it."""

from __future__ import annotations

import json
from argparse import ArgumentParser
from collections.abc import Iterator
from typing import Any

from machines.serialization import structure
from scheduling.commands.run_search import RunSearch, SeekRun
from scheduling.commands.run_wishes import WishKind
from server.console import formatting
from server.terminal.changing.asking import ask
from server.terminal.changing.names import clocks
from server.terminal.changing.typed import A_FILE, json_in
from server.terminal_command import TerminalCommand

WISHED: dict[WishKind, str] = {
    "place-at-head": "the place at the head",
    "place-in-sight": "the place in sight",
    "strip-falls": "a strip falls",
    "changes-within": "changed when somebody comes",
    "no-change-between": "nothing changed then",
}


class Command(TerminalCommand):
    help = "Seek when a run is to begin, from a file of JSON as the API's run-searches takes it; nothing is ordered."
    example = "seek spring-wishes.json"

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("file", help=A_FILE)
        parser.add_argument("--json", action="store_true", help="print JSON")

    def handle(self, *args: Any, file: str, **options: Any) -> None:
        body = json_in(file)
        answer = ask("POST", "run-searches", body).body
        if options["json"]:
            self.stdout.write(json.dumps(answer, ensure_ascii=False, indent=2))
            return
        sought = structure(body, SeekRun)
        clock = clocks()(body["run"])
        assert clock is not None, "its machine stands at a venue, or nothing was found"
        said = _lines(sought, structure(answer, RunSearch), clock.key)
        self.stdout.writelines(f"{line}\n".replace(formatting.NO_BREAK, " ") for line in said)


def _lines(sought: SeekRun, found: RunSearch, zone: str) -> Iterator[str]:
    apart = formatting.seconds(found.step_s)
    yield f"{found.tried} ways were looked at, their beginnings {apart} apart; times are of {zone}."
    if found.refused:
        yield f"{found.refused} of them cannot be planned; the first: {found.refused_field}: {found.why_refused}"
    for one in found.answers:
        epoch = f", epoch {one.cycle_options['epoch']}" if sought.run.cycle == "period" else ""
        off = "all is as wished" if not one.off_h else f"{one.off_h:.1f} h from what is wished, by weight"
        yield f"Begin at {formatting.moment(one.starts_at, zone)}, {one.strips_per_turn} strips a turn{epoch}: {off}."
        for wish, is_met in zip(sought.wishes, one.wishes, strict=True):
            why = f". {is_met.why_not_nearer}" if is_met.why_not_nearer else ""
            yield f"  {'kept' if is_met.kept else 'not kept'}: {WISHED[wish.kind]}: {is_met.in_words}{why}"
    yield "Order one with `dayroll add run`; it is checked whole there."
