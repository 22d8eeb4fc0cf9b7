"""The faults as a file: a person clears them there, and the machine sees it."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from machines.clock import CLOCK_VARIABLE, utc
from machines.drivers.simulated.fault_file import (
    FaultDocument,
    FaultFile,
    clear_faults,
    main,
    read_faults,
    write_faults,
)
from machines.drivers.simulated.faults import FaultPlan, Jam, Slip
from machines.drivers.simulated.random_faults import Chance, Rate
from machines.errors import InputError
from machines.serialization import unstructure
from tests.machines.node.relay import carriage_profile

NOON = 1_790_000_000.0
DOCUMENT = FaultDocument(
    faults=(Jam(at=utc(NOON)), Slip(at=utc(NOON + 5), share=0.01)),
    chance=Chance(seed=1, begins=utc(NOON), days=30.0, rates=(Rate(kind="ink-end", per_day=0.2),)),
)


def written(tmp_path: Path, document: FaultDocument = DOCUMENT) -> Path:
    path = tmp_path / "faults.json"
    write_faults(path, document)
    return path


def test_what_was_written_is_read(tmp_path: Path) -> None:
    path = written(tmp_path)
    assert read_faults(path) == DOCUMENT
    assert [file.name for file in tmp_path.iterdir()] == ["faults.json"]


def test_the_modules_own_example_can_be_read(tmp_path: Path) -> None:
    path = tmp_path / "faults.json"
    path.write_text('{"faults": [{"kind": "slip", "at": "2026-11-02T09:00:00Z", "share": 0.005}]}')
    assert read_faults(path).plan(carriage_profile()).active(2e9)[0].kind == "slip"


def test_the_plan_has_what_is_dated_and_what_chance_brings() -> None:
    plan = DOCUMENT.plan(carriage_profile())
    assert DOCUMENT.chance is not None
    assert plan.faults == DOCUMENT.faults + DOCUMENT.chance.draw(carriage_profile())
    assert FaultDocument().plan(carriage_profile()) == FaultPlan()


def test_a_machine_sees_that_a_person_has_cleared_a_fault(tmp_path: Path) -> None:
    path = written(tmp_path)
    faults = FaultFile(path, carriage_profile())
    assert "jam" in {fault.kind for fault in faults().active(NOON + 10)}
    clear_faults(path, "jam", NOON + 60)
    assert "jam" not in {fault.kind for fault in faults().active(NOON + 60)}
    assert "slip" in {fault.kind for fault in faults().active(NOON + 60)}


def test_the_command_clears_by_the_true_clock(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = written(tmp_path)
    monkeypatch.setenv(CLOCK_VARIABLE, "system")
    assert main([str(path), "jam"]) == 0
    (cleared,) = read_faults(path).cleared
    assert cleared.kind == "jam"
    assert cleared.at.timestamp() == pytest.approx(path.stat().st_mtime, abs=60.0)


def test_the_command_says_what_is_wrong(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main([str(tmp_path / "none.json"), "jam"]) == 2
    assert "cannot be read" in capsys.readouterr().err
    with pytest.raises(SystemExit):
        main([str(tmp_path / "none.json"), "boredom"])


def test_a_file_that_is_spoiled_while_it_is_used_changes_nothing_and_is_said(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    path = written(tmp_path)
    faults = FaultFile(path, carriage_profile())
    before = faults()
    path.write_text("{")
    assert faults() == before
    assert "no JSON" in caplog.text
    path.write_bytes(b'{"faults": "\xff\xfe"}')  # no UTF-8
    assert faults() == before
    path.unlink()
    assert faults() == before
    write_faults(path, FaultDocument())
    assert faults() == FaultPlan()


@pytest.mark.parametrize(
    ("content", "says"),
    [
        ("{", "no JSON"),
        ('{"faults": [{"kind": "boredom", "at": "2026-11-02T09:00:00Z"}]}', "faults"),
        ('{"faults": [{"kind": "slip", "at": "2026-11-02T09:00:00", "share": 0.1}]}', "UTC"),
        ('{"faults": [{"kind": "slip", "at": "2026-11-02T09:00:00Z", "share": 7}]}', "share"),
        ('{"fault": []}', "no such field"),
    ],
)
def test_a_file_that_cannot_be_used_is_refused_with_its_place(tmp_path: Path, content: str, says: str) -> None:
    path = tmp_path / "faults.json"
    path.write_text(content)
    with pytest.raises(InputError, match=says) as caught:
        FaultFile(path, carriage_profile())
    assert caught.value.field.startswith("faults")


def test_it_is_plain_json(tmp_path: Path) -> None:
    assert json.loads(written(tmp_path).read_text()) == json.loads(json.dumps(unstructure(DOCUMENT)))
