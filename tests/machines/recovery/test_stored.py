"""Settlements as they were once written: each is read for ever, and decided alike for ever.

``settled.json`` is kept as it is. What is new is put behind what is there; a change of what stands there breaks nodes
in the field, which settle by what they have until they are updated, and makes the log say that old decisions differ.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from machines.protocol.journal_entries import GapSettled
from machines.recovery import Pace, settle
from machines.serialization import structure, unstructure

STORED: list[dict[str, Any]] = json.loads((Path(__file__).parent / "settled.json").read_text())
PACE = Pace(
    nominal_columns_per_s=0.01,
    highest_columns_per_s=0.03,
    columns_per_burst=4,
    columns_per_turn=864,
    mm_per_column=0.25,
    ml_per_dot=2e-8,
)


@pytest.mark.parametrize("written", STORED, ids=lambda written: written["decision"]["action"])
def test_what_was_decided_once_is_decided_again(written: dict[str, Any]) -> None:
    entry = structure(written, GapSettled)
    decision = settle(entry.policy, entry.gap, PACE)
    assert decision == entry.decision
    if entry.decision.paper_mm is not None:
        assert (decision.paper_mm, decision.ink_ml) == (entry.decision.paper_mm, entry.decision.ink_ml)


@pytest.mark.parametrize("written", STORED, ids=lambda written: written["decision"]["action"])
def test_nothing_that_was_written_is_lost_or_changed(written: dict[str, Any]) -> None:
    today = unstructure(structure(written, GapSettled))
    assert _as_old(today, written) == written


def test_every_action_and_every_field_is_among_them() -> None:
    assert {written["decision"]["action"] for written in STORED} == {"skip", "replay", "blank", "shift"}
    newest = unstructure(structure(STORED[-1], GapSettled))
    assert all(set(newest[part]) == {name for one in STORED for name in one[part]} for part in ("gap", "decision"))


def _as_old(today: Any, written: Any) -> Any:
    """What is written today, without the fields that were added since."""
    if isinstance(today, dict) and isinstance(written, dict):
        return {name: _as_old(value, written[name]) for name, value in today.items() if name in written}
    if isinstance(today, list) and isinstance(written, list):
        return [_as_old(*pair) for pair in zip(today, written, strict=True)]
    return today
