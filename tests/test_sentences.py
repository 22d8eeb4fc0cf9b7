"""No sentence says an instant as programs write it: people read it, on a page or at a terminal."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
# What is no sentence for people, or of dates alone, or is to be typed as it stands.
NOT_SAID = {
    "scheduling/sky/almanac.py": "an instant that has no offset, as it was given",
    "scheduling/sky/timescales.py": "likewise",
    "scheduling/sky/ephemeris.py": "dates alone",
}


def files_that_say_one() -> Iterator[str]:
    """Files in which a text is put together of one."""
    for room in ("scheduling", "server", "machines"):
        for file in sorted((ROOT / room).rglob("*.py")):
            texts = (node for node in ast.walk(ast.parse(file.read_text())) if isinstance(node, ast.JoinedStr))
            if any(_says_one(text) for text in texts):
                yield file.relative_to(ROOT).as_posix()


def _says_one(text: ast.JoinedStr) -> bool:
    return any(isinstance(node, ast.Attribute) and node.attr == "isoformat" for node in ast.walk(text))


def test_instants_are_said_in_words() -> None:
    found = set(files_that_say_one())
    assert found == set(NOT_SAID), "say it by scheduling.sky.civil.instant_in_words, or say here why not"
