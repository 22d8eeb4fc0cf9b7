"""The README's quickstart, as it stands there, against a server that has just been started."""

from __future__ import annotations

import os
import re
import shlex
import subprocess
import sys
from pathlib import Path

from tests.server.processes import process, wait_for_line
from tests.server.serving.test_serve import ask

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text()
STATED = "http://127.0.0.1:8000"


def block(language: str, holds: str) -> str:
    found = [text for text in re.findall(rf"```{language}\n(.*?)```", README, re.DOTALL) if holds in text]
    assert len(found) == 1
    assert found[0].count(STATED) >= 1
    return found[0]


def changes() -> str:
    """What is said of changing it, at the server, where nobody is asked here, and over the API."""
    at_the_server, over_the_api = re.findall(
        r"```sh\n(.*?)```", README.partition("## Changing what was said")[2], re.DOTALL
    )[:2]
    return (
        at_the_server.replace(".venv/bin/dayroll change", f"{sys.executable} -m server change --yes").replace(
            ".venv/bin/dayroll", f"{sys.executable} -m server"
        )
        + over_the_api
    )


def test_a_run_is_planned_from_a_shell_and_another_from_python(tmp_path: Path) -> None:
    settings = {"DAYROLL_HOME": str(tmp_path / "home"), "DAYROLL_HORIZON_H": "2"}
    ours = {name: value for name, value in os.environ.items() if not name.startswith("DAYROLL_")} | settings
    log = tmp_path / "log"
    with process(["-m", "server", "serve", "--port", "0"], settings, log) as server:
        address = wait_for_line(server, log, "Dayroll is at").split()[-1].rstrip("/")
        shell = block("sh", "post runs").replace(STATED, address)
        shell = shell.replace(".venv/bin/dayroll", f"{sys.executable} -m server")
        python = block("python", "urllib.request").replace(STATED, address)
        both = f"{shell}\n{sys.executable} -c {shlex.quote(python)}\n{changes()}\necho\necho $KEY"
        command = ["bash", "-euo", "pipefail", "-c", both]
        done = subprocess.run(command, env=ours, cwd=ROOT, capture_output=True, text=True, timeout=300)
        assert done.returncode == 0, done.stdout + done.stderr
        key = done.stdout.split()[-1]
        first, second = (ask(address, "GET", f"/api/v1/runs/{id}", key)[1] for id in ("first", "second"))
        assert (first["machine"], first["cycle"]) == ("tern-1", "apparent-solar-day")
        assert second["starts_at"] == first["ends_at"] < second["ends_at"]
        steps = ask(address, "GET", "/api/v1/venues/mill/history", key)[1]["steps"]
        assert [step["reason"] for step in steps] == [None, "as it says at the door", "so it is written"]
        assert first["ended_at"] is None and "Subscribed calendars" in done.stdout
