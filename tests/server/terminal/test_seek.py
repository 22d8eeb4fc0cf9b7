"""`dayroll seek`: what was found in words or as JSON, and what is wrong with what was asked."""

from __future__ import annotations

import io
import json
from pathlib import Path
from typing import Any

import pytest
from django.core.management import CommandError, call_command

from tests.server.api.test_roles import SOUGHT

pytestmark = pytest.mark.usefixtures("furnished")


def told(folder: Path, *more: str, **fields: Any) -> str:
    file, out = folder / "wishes.json", io.StringIO()
    file.write_text(json.dumps(SOUGHT | fields))
    call_command("seek", str(file), *more, stdout=out)
    return out.getvalue()


def test_answers_are_told_by_the_venues_clock_with_how_near_they_come(tmp_path: Path) -> None:
    lines = told(tmp_path).splitlines()
    assert " ways were looked at, their beginnings " in lines[0] and lines[0].endswith(
        " apart; times are of Europe/Lisbon."
    )
    assert lines[1].startswith("Begin at ") and ", 4 strips a turn: " in lines[1]
    assert lines[2].startswith(("  kept: a strip falls: from ", "  not kept: a strip falls: from "))
    assert lines[-1] == "Order one with `dayroll add run`; it is checked whole there."


def test_what_cannot_be_planned_is_counted_and_said_why(tmp_path: Path) -> None:
    lines = told(tmp_path, earliest="2026-03-23T10:00:00Z").splitlines()
    assert "of them cannot be planned; the first: starts_at: the machine is on run 'spring' until" in lines[1]


def test_json_is_what_the_api_says(tmp_path: Path) -> None:
    found = json.loads(told(tmp_path, "--json"))
    assert {"answers", "tried", "step_s", "refused", "why_refused", "refused_field"} == set(found)
    assert found["answers"][0]["wishes"][0]["in_words"]


def test_what_is_wrong_names_its_field(tmp_path: Path) -> None:
    with pytest.raises(CommandError, match=r"wishes\[0\]\.at: missing"):
        told(tmp_path, wishes=[{"kind": "strip-falls"}])
    with pytest.raises(CommandError, match=r"run\.machine: "):
        told(tmp_path, run=SOUGHT["run"] | {"machine": "nobody"})  # type: ignore[operator]
