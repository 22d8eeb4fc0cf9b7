"""What is said to people, in the language of whoever reads it: texts are English, and a catalogue has the others.

A text is marked where it stands, ``_("Look at the roll.")``, or, where it is made before anybody reads it,
``marked("Look at the roll.")``, and translated where it is shown. What a text is filled with stands in braces, named.
The server translates the very same texts by its own catalogue, which takes in this one.
"""

from __future__ import annotations

import gettext
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from functools import cache
from pathlib import Path

CATALOGUES = Path(__file__).parent / "locale"
DOMAIN = "machines"
# What each is called in itself, the one that texts are written in first.
LANGUAGES = {"en": "English", "pt": "Português"}
# Of numbers; English ones are written with a point.
DECIMAL_COMMA = frozenset({"pt"})
LONGEST_HEADER = 500

_spoken: ContextVar[str] = ContextVar("spoken", default="en")


@cache
def _catalogue(code: str) -> gettext.NullTranslations:
    return gettext.translation(DOMAIN, CATALOGUES, [code], fallback=code == "en")


def spoken() -> str:
    """The language that is spoken now, by its code."""
    return _spoken.get()


@contextmanager
def speaking(code: str) -> Iterator[None]:
    """Speak a language of `LANGUAGES` while the block runs."""
    token = _spoken.set(code)
    try:
        yield
    finally:
        _spoken.reset(token)


def _(text: str) -> str:
    """A text in the language that is spoken."""
    return _catalogue(spoken()).gettext(text) if text else ""


def ngettext(one: str, many: str, number: int) -> str:
    """A text for so many, in the language that is spoken."""
    return _catalogue(spoken()).ngettext(one, many, number)


def marked(text: str) -> str:
    """A text as it is, to be translated where it is shown."""
    return text


def decimal(text: str) -> str:
    """A number as the language writes it, from one with a point."""
    return text.replace(".", ",") if spoken() in DECIMAL_COMMA else text


def wanted(header: str) -> str:
    """The language that a browser would rather have (RFC 9110 section 12.5.4); English where it wants none of ours."""
    ranked = []
    for place, part in enumerate(header[:LONGEST_HEADER].split(",")):
        name, _sep, parameter = part.strip().lower().partition(";")
        try:
            weight = float(parameter.strip().removeprefix("q=")) if parameter else 1.0
        except ValueError:
            continue
        code = name.split("-")[0]
        if code in LANGUAGES and weight > 0:
            ranked.append((-weight, place, code))
    return min(ranked)[2] if ranked else "en"
