"""What is still English on a page of another language."""

from __future__ import annotations

import re
from html.parser import HTMLParser

from tests.languages import MACHINES, SERVER, catalogue

# Words that only English has, and that none of its sentences can do without for long.
ENGLISH = re.compile(r"\b(the|of|is|it|and|was|at|to|in|from|not|by|with|its|nothing|here|when)\b", re.IGNORECASE)
SHOWN = ("alt", "aria-label", "title", "placeholder", "data-label", "data-summary", "data-asof", "data-silent")


class Read(HTMLParser):
    """What a page says in its own language, text by text."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.said: list[str] = []
        self._foreign: list[str] = []
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        found = dict(attrs)
        if self._foreign or (tag != "html" and "lang" in found):
            self._foreign.append(tag)
        if not self._foreign:
            self.said += [found[name] or "" for name in SHOWN if name in found]

    def handle_endtag(self, tag: str) -> None:
        if self._foreign and self._foreign[-1] == tag:
            self._foreign.pop()

    def handle_data(self, data: str) -> None:
        if not self._foreign and data.strip():
            self.said.append(data.strip())


def left_over(page: str) -> list[str]:
    """What is English on a page: a part of a message, or words that no other language has."""
    said = Read(page).said
    whole = " ".join(said)
    parts = {part for one in ENGLISH_PARTS for part in (one,) if part in whole}
    return [*sorted(parts), *(one for one in said if ENGLISH.search(one))]


def _parts() -> list[str]:
    """The fixed parts of the catalogues' English sentences that are long enough to be one's own."""
    found = []
    for folder in (MACHINES, SERVER):
        for one in catalogue(folder, "pt"):
            for text in [one.id] if isinstance(one.id, str) else one.id:
                parts = re.split(r"%\(\w+\)s|{\w+}", text)
                found += [part.strip() for part in parts if len(part.split()) > 2]
    return found


ENGLISH_PARTS = _parts()
