"""`make languages`: what is to be said in other languages, taken from the sources into catalogues, which it compiles.

Two catalogues: of the panel and of what both sides say (`machines`), and of the server, whose compiled one takes in the
other. What has no translation yet is added empty, and what is not said any more is dropped: nothing is guessed at, so
that nothing is ever fuzzy. `tests/test_languages.py` holds sources, catalogues and what is compiled together.
"""

from __future__ import annotations

import ast
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from io import BytesIO
from pathlib import Path

from babel.messages.catalog import Catalog
from babel.messages.mofile import write_mo
from babel.messages.pofile import read_po, write_po
from django.template import Engine, Node, Template
from django.template.base import TextNode
from django.templatetags.i18n import BlockTranslateNode, TranslateNode

from machines.node.sync import reachability
from machines.operator import conditions, holds, labels, language, recess_words, safety_notes, stop_causes

ROOT = Path(__file__).resolve().parent.parent
SERVER, MACHINES = ROOT / "server" / "locale", language.CATALOGUES
OTHERS = [code for code in language.LANGUAGES if code != "en"]
# In calls of these the first text is a message; of the second kind the first two are one and many, of the third the
# first is its context.
ONE, MANY, WITHIN = {"_", "marked", "lazy", "gettext"}, {"ngettext"}, {"pgettext"}
# The pages for staff and visitors, and what they are made of.
TEMPLATES = [
    ROOT / "server" / "console" / "templates" / "console" / f"{name}.html"
    for name in (
        "base", "error", "today", "_task", "_steps", "_contacts", "_panel", "now", "_now", "_answer", "_ask",
        "_told", "_zones", "_turn", "_paper", "decide", "_wrong",
    )
] + [
    ROOT / "server" / "desk" / "templates" / "desk" / f"{name}.html"
    for name in ("see_to", "own_calendar", "calendar_address")
]  # fmt: skip
# As the server's framework counts in each.
PLURALS = {"pt": "nplurals=2; plural=(n != 1);"}
LIBRARIES = {name: f"django.templatetags.{name}" for name in ("i18n", "l10n", "static")}


@dataclass(frozen=True, order=True)
class Said:
    """A message: within which context, of one, and of many."""

    context: str
    one: str
    many: str = ""


def of_machines() -> set[Said]:
    """What the panel says, and the words that node and server both show."""
    return set(_of_sources(ROOT / "machines")) | {Said("", text) for text in _of_tables() if text}


def of_server() -> set[Said]:
    """What the server's pages say, but for words that the other catalogue has."""
    found = {*_of_sources(ROOT / "server"), *_of_sources(ROOT / "scheduling")}
    found |= {one for template in TEMPLATES for one in of_template(template.read_text())}
    return found - of_machines()


def _of_tables() -> Iterator[str]:
    """Words that stand in tables of the operator's room, and are translated where they are shown."""
    yield from labels.LABELS.values()
    yield from (*conditions.GLOSS.values(), conditions.RING, recess_words.CAUTION)
    yield from holds.AT_MACHINE.values()
    yield from stop_causes.CAUSE_WORDS.values()
    yield from safety_notes.UNATTENDED_LINES
    yield safety_notes.ALWAYS_HOLDS
    yield from reachability.FAILURE_WORDS.values()
    for cautions in safety_notes.BESIDE.values():
        yield from cautions
    for words in holds.HOLD_WORDS.values():
        yield from vars(words).values()


def _of_sources(folder: Path) -> Iterator[Said]:
    for file in sorted(folder.rglob("*.py")):
        yield from of_source(file.read_text())


def of_source(source: str) -> Iterator[Said]:
    """What a program marks."""
    for node in ast.walk(ast.parse(source)):
        if not isinstance(node, ast.Call) or not isinstance(node.func, ast.Name):
            continue
        name, texts = node.func.id, [one.value for one in node.args if isinstance(one, ast.Constant)]
        if name in ONE and texts and isinstance(texts[0], str):
            yield Said("", texts[0])
        elif name in MANY and len(texts) > 1:
            yield Said("", str(texts[0]), str(texts[1]))
        elif name in WITHIN and len(texts) > 1:
            yield Said(str(texts[0]), str(texts[1]))


def of_template(source: str) -> Iterator[Said]:
    """What a template marks."""
    for node in _nodes(Template(source, engine=Engine(libraries=LIBRARIES)).nodelist):
        if isinstance(node, TranslateNode):
            yield Said("", str(node.filter_expression.var.literal))
        elif isinstance(node, BlockTranslateNode):
            assert not node.plural, "count what is counted in Python"
            yield Said("", node.render_token_list(node.singular)[0])


def _nodes(nodes: Iterable[Node]) -> Iterator[Node]:
    for node in nodes:
        if isinstance(node, TextNode):
            continue
        yield node
        for name in getattr(node, "child_nodelists", ()):
            yield from _nodes(getattr(node, name, None) or ())
        for _, within in getattr(node, "conditions_nodelists", ()):
            yield from _nodes(within)


def source_of(folder: Path, code: str) -> Path:
    """The catalogue of a language, to be edited."""
    return folder / code / "LC_MESSAGES" / ("machines.po" if folder == MACHINES else "django.po")


def catalogue(folder: Path, code: str) -> Catalog:
    """The same, read; empty where there is none yet."""
    file = source_of(folder, code)
    if not file.exists():
        return _new(code)
    with file.open("rb") as text:
        return read_po(text, locale=code)


def _new(code: str, like: Catalog | None = None) -> Catalog:
    """An empty catalogue, as old as another."""
    made = Catalog(
        locale=code, header_comment="# Dayroll", project="Dayroll", version="0.1.0", copyright_holder="Dayroll",
        msgid_bugs_address="none", last_translator="Dayroll", language_team="Dayroll", fuzzy=False,
    )  # fmt: skip
    made.mime_headers = [("Plural-Forms", PLURALS[code]), ("Content-Type", "text/plain; charset=utf-8")]
    made.creation_date = datetime(2026, 11, 30, tzinfo=UTC) if like is None else like.creation_date
    made.revision_date = made.creation_date
    return made


def updated(before: Catalog, said: set[Said]) -> Catalog:
    """The catalogue with what is said now, and only that; translations stay."""
    now = _new(str(before.locale), before)
    for one in sorted(said):
        context, key = one.context or None, (one.one, one.many) if one.many else one.one
        was = before.get(one.one, context)
        now.add(key, was.string if was is not None and was.pluralizable == bool(one.many) else None, context=context)
    return now


def compiled(*parts: Catalog) -> bytes:
    """Several catalogues as one, as programs read it."""
    whole = _new(str(parts[0].locale), parts[0])
    for part in parts:
        for one in part:
            if one.id:
                whole.add(one.id, one.string, context=one.context)
    out = BytesIO()
    write_mo(out, whole)
    return out.getvalue()


def main() -> None:
    """Take all up, and compile it."""
    for code in OTHERS:
        parts = {MACHINES: of_machines(), SERVER: of_server()}
        made = {folder: updated(catalogue(folder, code), said) for folder, said in parts.items()}
        for folder, one in made.items():
            file = source_of(folder, code)
            file.parent.mkdir(parents=True, exist_ok=True)
            with file.open("wb") as out:
                write_po(out, one, width=120, sort_output=True, omit_header=False, include_lineno=False)
        source_of(MACHINES, code).with_suffix(".mo").write_bytes(compiled(made[MACHINES]))
        source_of(SERVER, code).with_suffix(".mo").write_bytes(compiled(made[SERVER], made[MACHINES]))


if __name__ == "__main__":
    main()
