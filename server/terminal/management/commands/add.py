"""`dayroll add`: one more of something, from a file, after a look at what that comes to."""

from __future__ import annotations

from argparse import ArgumentParser
from collections.abc import Iterator
from typing import Any

from scheduling.commands.plan_run import PlanRun
from server.api.resource import Resource
from server.console import formatting
from server.terminal.changing.asking import ask
from server.terminal.changing.in_words import preview_in_words, row_in_words
from server.terminal.changing.names import ADDED, clocks
from server.terminal.changing.order_command import OrderCommand, add_consent
from server.terminal.changing.typed import A_FILE, json_in


class Command(OrderCommand):
    help = "Add one of something, as the API takes it, from a file of JSON."
    example = "add opening night.json"

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("what", choices=ADDED)
        parser.add_argument("file", help=A_FILE)
        add_consent(parser)

    def handle(self, *args: Any, what: str, file: str, **options: Any) -> None:
        resource = ADDED[what]
        body = json_in(file)
        preview = _preview(resource, body)
        self.carried_out(
            options,
            preview,
            _said(what, body, preview),
            lambda _: ask("POST", resource.plural, body),  # adding asks for no yes
            f"{what} {body.get('id')} is added.",
        )


def _preview(resource: Resource, body: Any) -> Any:
    """What it would come to; None where the API does not tell that beforehand."""
    if resource.command is PlanRun:
        return ask("POST", "run-checks", body).body
    return None if resource.preview is None else ask("POST", resource.plural, body, preview="true").body


def _said(what: str, body: Any, preview: Any) -> Iterator[str]:
    clock = clocks()(body)
    if preview is not None and "fields" in preview:
        yield from preview_in_words(preview, clock)
        return
    yield f"What is added, {what} {body.get('id')}:"
    yield from row_in_words(body, clock)
    if preview is not None:
        columns, ends = preview["end_column"] - preview["first_column"], len(preview["ends"])
        yield f"{columns} columns, {preview['paper_mm'] / 1000.0:.3f} m of paper, {preview['cuts']} cuts."
        if (ink := preview["ink"]) is not None:
            ml = ink["picture_ml"] + (ink["idle_ml"] or 0.0)
            scale = f"{ink['drawn_columns']} columns drawn for {ink['columns_per_turn']}"
            yield f"Its ink: {formatting.ink(ml).replace(formatting.NO_BREAK, ' ')}, an estimate by {scale}."
        yield f"{ends} {'roll or blade ends' if ends == 1 else 'rolls and blades end'} in it."
        yield from preview_in_words({"fields": [], "in_words": [], "warnings": preview["warnings"]}, clock)
