"""Where the type checker is told to look away, it says why."""

from __future__ import annotations

import re
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
LOOKS_AWAY = re.compile(r"# type: ignore(?P<kinds>\[[a-z-]+(?:, [a-z-]+)*\])?(?P<reason>  # \w.*)?$")


def test_an_ignored_type_names_its_kind_and_its_reason() -> None:
    found = [
        (str(module.relative_to(ROOT)), LOOKS_AWAY.search(line))
        for part in ("machines", "scheduling", "server")
        for module in sorted((ROOT / part).rglob("*.py"))
        for line in module.read_text().splitlines()
        if "type: ignore" in line
    ]
    assert found, "or this looks for nothing"
    assert [where for where, match in found if match is None or not match["kinds"] or not match["reason"]] == []
