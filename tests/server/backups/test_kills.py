"""Whenever a backup, or putting one back, is killed, there is the one or the other, and nothing half."""

from __future__ import annotations

import json
from pathlib import Path

from tests.server.backups.kills import BEFORE, SINCE
from tests.server.processes import process

PATIENCE_S = 300


def test_whenever_it_is_killed_nothing_is_half_there(tmp_path: Path) -> None:
    said = tmp_path / "said"
    environment = {"DAYROLL_HOME": str(tmp_path / "home")}
    with process(["-m", "tests.server.backups.kills", str(tmp_path)], environment, said) as child:
        assert child.wait(PATIENCE_S) == 0, said.read_text()
    found = json.loads(said.read_text().splitlines()[-1])
    *killed, last = found["backups"]
    assert len(killed) > 5
    assert last == "whole"
    assert set(killed[:-1]) == {"none"}
    assert killed[-1] == "whole", "it has its name; only that its folder has it was not on the disk"
    old, new = BEFORE + SINCE, BEFORE
    events = [events for events, _, _ in found["restores"]]
    assert {sound for _, sound, _ in found["restores"]} == {"ok"}
    assert events == sorted(events, reverse=True), "once it is exchanged it stays so"
    assert set(events) == {old, new}
    assert all(kept for count, _, kept in found["restores"] if count == new), "what was there before is beside it"
