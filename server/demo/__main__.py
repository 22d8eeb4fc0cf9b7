"""`make demo`: the main job on the demonstration's scenario, in compressed time, judged at the end from the outside."""

from __future__ import annotations

import argparse
import fcntl
import os
import shutil
import signal
import sys
import time
from pathlib import Path
from typing import IO

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "server.settings")

from server.demo import report, scenario, story
from server.demo.processes import ROOT, DemoError, free_port

MOST_COPIES = 20


def claim_folder(root: Path) -> tuple[Path, IO[str]]:
    """An empty folder of our own: `var/demo`, or the next one where another demonstration is at work.

    The lock is held as long as the file is open; a folder whose demonstration has ended is emptied and used again.
    """
    for number in range(1, MOST_COPIES + 1):
        folder = root / ("demo" if number == 1 else f"demo-{number}")
        folder.parent.mkdir(parents=True, exist_ok=True)
        lock = folder.with_suffix(".lock").open("w")
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            lock.close()
            continue
        shutil.rmtree(folder, ignore_errors=True)
        folder.mkdir()
        return folder, lock
    raise DemoError(f"{MOST_COPIES} demonstrations are at work in {root}; end one of them")


def main() -> int:
    """Run the demonstration; 0 when every promise was kept."""
    parser = argparse.ArgumentParser(prog="make demo", description=__doc__)
    parser.add_argument("--exit", action="store_true", help="end after the run instead of serving the console")
    options = parser.parse_args()
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(143))  # so that the children are ended too
    began = time.monotonic()
    folder, lock = claim_folder(ROOT / "var")
    with lock:
        try:
            stage = story.set_the_stage(folder, free_port())
        except DemoError as error:
            return _fail(error)
        try:
            kept = _run(stage, began)
            if not options.exit:
                _serve(stage)
            return 0 if kept else 1
        except DemoError as error:
            return _fail(error)
        except KeyboardInterrupt:
            return 130
        finally:
            stage.close()


def _run(stage: story.Stage, began: float) -> bool:
    slower = "" if stage.clock.rate == scenario.SECONDS_SHOWN_PER_SECOND else ", as this computer is busy otherwise"
    print(f"{scenario.STUDIO}: {scenario.HOURS:g} hours, {stage.clock.rate:.0f} times as fast{slower}")
    print(f"  the console meanwhile: {stage.studio.address}/")
    story.furnish(stage)
    story.enrol_nodes(stage)
    story.play(stage)
    for child in stage.nodes.values():
        child.stop()
    print("\nThe promises, measured on the papers and in the log:")
    everyone = report.gather_all(stage)
    found = report.measure(stage, everyone)
    report.tell(found)
    took_s = time.monotonic() - began
    path = report.write(stage, everyone, found, took_s)
    print(f"\n{sum(p.holds for p in found)} of {len(found)} promises kept in {took_s:.0f} s.")
    print(f"  the report  {path.relative_to(ROOT)}")
    for station in scenario.STATIONS:
        names = " and ".join(f"{station.id}-{what}.png" for what in ("paper", "view"))
        print(f"  the paper   {stage.folder.relative_to(ROOT)}/: {names}")
    return all(promise.holds for promise in found)


def _serve(stage: story.Stage) -> None:
    story.slow_down(stage)
    print(f"\nThe console is at {stage.studio.address}/ until you press Ctrl-C.", flush=True)
    while True:
        stage.server.require_alive()
        time.sleep(1.0)


def _fail(error: DemoError) -> int:
    print(f"\nThe demonstration could not go on: {error}", file=sys.stderr)
    return 2


if __name__ == "__main__":
    sys.exit(main())
