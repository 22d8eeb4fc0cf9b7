"""Pages for staff and visitors speak every language that they offer: all of a page is marked, every message has its
translation, and what programs read is what the catalogues say."""

from __future__ import annotations

import re
from html.parser import HTMLParser
from io import BytesIO
from pathlib import Path
from string import Formatter

import pytest
from babel.messages.catalog import Catalog, Message
from babel.messages.mofile import read_mo

from machines.operator import language
from tests.languages import (
    MACHINES,
    OTHERS,
    ROOT,
    SERVER,
    TEMPLATES,
    Said,
    catalogue,
    compiled,
    of_machines,
    of_server,
    of_source,
    of_template,
    source_of,
    updated,
)

SAID = {MACHINES: of_machines(), SERVER: of_server()}
BOTH = pytest.mark.parametrize("folder", [MACHINES, SERVER], ids=["machines", "server"])
IN_OTHERS = pytest.mark.parametrize("code", OTHERS)
# What a page shows of a tag beside what it holds.
SHOWN = ("alt", "aria-label", "title", "placeholder", "data-label")
MARKED = re.compile(r"{%\s*blocktranslate.*?{%\s*endblocktranslate\s*%}", re.DOTALL)
TAGS = re.compile(r"{%.*?%}|{{.*?}}|{#.*?#}", re.DOTALL)
# The product's own name, and a letter that is none of a word.
NO_WORDS = {"Dayroll"}


def messages(folder: Path, code: str) -> list[Message]:
    return [one for one in catalogue(folder, code) if one.id]


def ids(one: Message) -> tuple[str, ...]:
    return (one.id,) if isinstance(one.id, str) else tuple(one.id)


def strings(one: Message) -> tuple[str, ...]:
    return (one.string,) if isinstance(one.string, str) else tuple(one.string)


@BOTH
@IN_OTHERS
def test_a_catalogue_has_all_that_is_said_and_no_more(folder: Path, code: str) -> None:
    had = {Said(one.context or "", *ids(one)) for one in messages(folder, code)}
    assert sorted(SAID[folder] - had) == [], "`make languages`, and translate it"
    assert sorted(had - SAID[folder]) == [], "`make languages`"


@BOTH
@IN_OTHERS
def test_every_message_is_translated_and_none_is_guessed(folder: Path, code: str) -> None:
    assert len(messages(folder, code)) > 90
    assert [ids(one) for one in messages(folder, code) if not all(strings(one)) or one.fuzzy] == []
    assert [ids(one) for one in messages(folder, code) if len(strings(one)) != len(ids(one))] == []


@BOTH
@IN_OTHERS
def test_what_a_message_is_filled_with_stands_in_its_translation_too(folder: Path, code: str) -> None:
    for one in messages(folder, code):
        for said in strings(one):
            assert filled(said) == filled(ids(one)[-1]), ids(one)
            assert sorted(re.findall(r"<[^>]*>", said)) == sorted(re.findall(r"<[^>]*>", ids(one)[0]))
            assert [len(said) - len(said.lstrip()), len(said) - len(said.rstrip())] == [
                len(ids(one)[0]) - len(ids(one)[0].lstrip()),
                len(ids(one)[0]) - len(ids(one)[0].rstrip()),
            ], "space around it parts it from others"


def filled(text: str) -> set[str]:
    """The names in a message, of either form."""
    if names := re.findall(r"%\((\w+)\)s", text):
        return set(names)
    return {name for _, name, _, _ in Formatter().parse(text) if name is not None}


@IN_OTHERS
def test_what_programs_read_is_what_the_catalogues_say(code: str) -> None:
    parts = {folder: catalogue(folder, code) for folder in (MACHINES, SERVER)}
    for file, made in (
        (source_of(MACHINES, code), compiled(parts[MACHINES])),
        (source_of(SERVER, code), compiled(parts[SERVER], parts[MACHINES])),
    ):
        assert table(file.with_suffix(".mo").read_bytes()) == table(made), "`make languages`"


def table(compiled: bytes) -> dict[object, object]:
    found: Catalog = read_mo(BytesIO(compiled))
    return {(one.context, *ids(one)): strings(one) for one in found if one.id}


def test_what_programs_read_goes_with_the_package() -> None:
    patterns = (ROOT / "pyproject.toml").read_text()
    assert '"**/*.mo"' in patterns and '"locale/**/*.mo"' in patterns
    for code in OTHERS:
        for folder in (MACHINES, SERVER):
            assert source_of(folder, code).with_suffix(".mo").is_file()


def test_a_catalogue_keeps_what_was_translated_and_drops_what_is_not_said_any_more() -> None:
    before = Catalog(locale="pt", fuzzy=False)
    before.add("Look.", "Veja.")
    before.add("Gone.", "Foi-se.")
    found = updated(before, {Said("", "Look."), Said("", "New.")})
    assert {one.id: one.string or "" for one in found if one.id} == {"Look.": "Veja.", "New.": ""}
    assert not any(one.fuzzy for one in found if one.id)


def test_what_is_marked_is_found() -> None:
    source = 'x = _("a"); y = marked("b"); ngettext("c", "d", n); pgettext("of e", "e"); other("f"); _(name)'
    assert set(of_source(source)) == {Said("", "a"), Said("", "b"), Said("", "c", "d"), Said("of e", "e")}
    template = '{% load i18n %}{% if a %}{% translate "g" %}{% else %}{% for b in c %}'
    template += "{% blocktranslate with d=b %}h {{ d }}{% endblocktranslate %}{% endfor %}{% endif %}"
    assert set(of_template(template)) == {Said("", "g"), Said("", "h %(d)s")}


class Words(HTMLParser):
    """What a page shows of itself."""

    def __init__(self, source: str) -> None:
        super().__init__()
        self.found: list[str] = []
        self.feed(TAGS.sub(" ", MARKED.sub(" ", source)))

    def handle_data(self, data: str) -> None:
        self._look(data)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        for name, value in attrs:
            if name in SHOWN:
                self._look(value or "")

    def _look(self, text: str) -> None:
        self.found += [word for word in re.findall(r"[^\W\d_]+", text) if word not in NO_WORDS]


@pytest.mark.parametrize("template", TEMPLATES, ids=lambda file: file.stem)
def test_all_of_a_page_is_marked(template: Path) -> None:
    assert Words(template.read_text()).found == []


def test_what_is_not_marked_is_seen() -> None:
    assert Words('<p>{% translate "a" %} left</p><img alt="also {{ b }}">').found == ["left", "also"]


@pytest.mark.parametrize(
    ("header", "code"),
    [
        ("", "en"),
        ("pt-PT,pt;q=0.9,en;q=0.8", "pt"),
        ("PT", "pt"),
        ("en-GB, pt;q=0.9", "en"),
        ("pt;q=0.2, en;q=0.7", "en"),
        ("de, pt;q=0.5", "pt"),
        ("de", "en"),
        ("pt;q=0", "en"),
        ("pt;q=much", "en"),
        ("*", "en"),
        ("x" * 600 + ",pt", "en"),
    ],
)
def test_a_browser_says_what_it_would_rather_have(header: str, code: str) -> None:
    """RFC 9110 section 12.5.4: the heaviest, and among equals the first."""
    assert language.wanted(header) == code


def test_what_is_spoken_is_over_when_its_block_is() -> None:
    assert language._("Pause") == "Pause"
    with language.speaking("pt"):
        assert (language._("Pause"), language.decimal("2.5")) == ("Pausar", "2,5")
        assert language._("") == "" and language._("nobody ever said this") == "nobody ever said this"
    assert (language._("Pause"), language.decimal("2.5")) == ("Pause", "2.5")
