"""The units for systemd, of the node on its board and of a server outside of containers: read and judged by systemd."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import pytest

FOLDER = Path(__file__).parents[1] / "docker"
PROGRAMS = {
    "dayroll-node": ("/opt/dayroll/bin/dayroll-node run", f"{sys.executable} -m machines.node run"),
    "dayroll-server": ("/opt/dayroll/bin/dayroll serve", f"{sys.executable} -m server serve"),
}
ANALYSE = shutil.which("systemd-analyze")
needs_systemd = pytest.mark.skipif(ANALYSE is None, reason="needs systemd-analyze, of the system package systemd")
# Of systemd-analyze security, in tenths: 0 exposes nothing, 100 all. The units stand at 18 and 14.
MOST_EXPOSED = 25
PATIENCE_S = 60.0


def checked_unit(name: str, folder: Path) -> Path:
    """The unit, with a program in its place that is there."""
    unit = folder / f"{name}.service"
    text = (FOLDER / unit.name).read_text()
    assert PROGRAMS[name][0] in text
    unit.write_text(text.replace(*PROGRAMS[name]))
    return unit


def analyse(*arguments: object) -> subprocess.CompletedProcess[str]:
    command = [str(ANALYSE), *map(str, arguments)]
    return subprocess.run(command, capture_output=True, text=True, timeout=PATIENCE_S, check=False)


@needs_systemd
@pytest.mark.parametrize("name", PROGRAMS)
def test_it_is_verified(name: str, tmp_path: Path) -> None:
    done = analyse("verify", "--man=no", checked_unit(name, tmp_path))
    about_ours = [line for line in done.stderr.splitlines() if name in line]
    assert (done.returncode, about_ours) == (0, []), done.stderr


@needs_systemd
@pytest.mark.parametrize("name", PROGRAMS)
def test_it_exposes_little(name: str, tmp_path: Path) -> None:
    options = ["--offline=yes", f"--threshold={MOST_EXPOSED}", "--no-pager"]
    done = analyse("security", *options, checked_unit(name, tmp_path))
    assert done.returncode == 0, done.stdout + done.stderr
    assert "Overall exposure level" in done.stdout


@needs_systemd
def test_the_judge_can_say_no(tmp_path: Path) -> None:
    bad = checked_unit("dayroll-node", tmp_path)
    bad.write_text(bad.read_text().replace("Type=notify", "Type=sundial"))
    assert "sundial" in analyse("verify", "--man=no", bad).stderr


def test_a_node_never_resumes_unattended_by_itself() -> None:
    unit = (FOLDER / "dayroll-node.service").read_text()
    (start,) = [line for line in unit.splitlines() if line.startswith("ExecStart=")]
    assert "--resume-unattended" not in start
