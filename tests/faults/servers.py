"""What becomes of a server: it dies, is put back from a copy, is built anew from an export, or moves."""

from __future__ import annotations

import shutil
from pathlib import Path

from tests.faults.scenario import Fault
from tests.faults.stage import Act, Stage


def server_off(stage: Stage) -> None:
    """One fault more keeps it away."""
    for one in stage.together:
        one.server_off += 1
    if stage.server_off == 1:
        stage.lane.server.kill()


def server_on(stage: Stage) -> None:
    """One fault less does."""
    for one in stage.together:
        one.server_off -= 1
    if not stage.server_off:
        stage.lane.server.start()
        stage.lane.wait()


def _gone(stage: Stage, fault: Fault) -> list[Act]:
    return [
        Act(fault.at_h, lambda: server_off(stage)),
        Act(fault.at_h + fault.lasts_h, lambda: server_on(stage)),
    ]


def _restored(stage: Stage, fault: Fault) -> list[Act]:
    copied = stage.folder / f"copy-of-{fault.at_h}.sqlite3"

    def put_back() -> None:
        server_off(stage)
        stage.lane.put_server_back(copied)
        stage.forget()
        server_on(stage)

    return [
        Act(fault.at_h, lambda: stage.lane.copy_server(copied)),
        Act(fault.at_h + fault.lasts_h, put_back),
    ]


def _rebuilt(stage: Stage, fault: Fault) -> list[Act]:
    exported = stage.folder / f"export-of-{fault.at_h}.jsonl"

    def export() -> None:
        stage.lane.command("log", "export", "--unsigned", str(exported))

    def rebuild() -> None:
        server_off(stage)
        _empty_home(stage.lane.home)
        stage.lane.command("migrate", "--verbosity", "0")
        stage.lane.command("log", "import", "--without-key", str(exported))
        stage.lane.remake_key()
        stage.forget()
        server_on(stage)

    return [Act(fault.at_h, export), Act(fault.at_h + fault.lasts_h, rebuild)]


def _empty_home(home: Path) -> None:
    """Plates were copied along, as they may be; nothing else was."""
    for path in home.iterdir():
        if path.name == "plates":
            continue
        shutil.rmtree(path) if path.is_dir() else path.unlink()


def _moved(stage: Stage, fault: Fault) -> list[Act]:
    def move() -> None:
        server_off(stage)
        stage.set_server_ahead(stage.lane.ahead_s + float(fault.detail))
        server_on(stage)

    return [Act(fault.at_h, move)]


SERVERS = {
    "server-killed": _gone,
    "server-gone": _gone,
    "server-restored": _restored,
    "server-rebuilt": _rebuilt,
    "server-moved": _moved,
}
