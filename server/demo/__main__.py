"""`make demo`: the main job on the demonstration's scenario, in compressed time, judged at the end from the outside."""

from __future__ import annotations

import argparse
import fcntl
import math
import os
import shutil
import signal
import sys
import time
from pathlib import Path
from typing import IO

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "server.settings")

from server.demo import report, scenario, stalls, story, time_compression
from server.demo.processes import ROOT, DemoError
from server.demo.server_parts import Making, Stores, embedded, fleet
from server.demo.stage import Stage
from server.demo.verdict import broken_names, verdict

MOST_COPIES = 20
# From the first line to the first hour shown, and from the last to the promises, about.
SET_UP_S = 15.0
TOO_BUSY = 3
# Eight processes are the server then, on the cores that one had.
SHARE_OF_A_FLEET = 0.5


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
        _empty(folder)
        return folder, lock
    raise DemoError(f"{MOST_COPIES} demonstrations are at work in {root}; end one of them")


def _empty(folder: Path) -> None:
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()


# What a fleet stands on.
PARTS = {
    "database": "a PostgreSQL whose user may make databases and roles",
    "broker": "a Redis",
    "objects": "a bucket, as s3://key:secret@bucket?endpoint=http://...",
}


def main() -> int:
    """Run the demonstration; 0 when every promise was kept, 1 when one was broken, 2 when it could not go on, 3 when
    this computer was too busy for it."""
    parser = argparse.ArgumentParser(prog="make demo", description=__doc__)
    parser.add_argument("--exit", action="store_true", help="end after the run instead of serving the console")
    for name, what in PARTS.items():
        parser.add_argument(f"--{name}", metavar="ADDRESS", help=f"play on the parts of a fleet, with {what}")
    options = parser.parse_args()
    if len({getattr(options, name) is None for name in PARTS}) > 1:
        parser.error("a fleet stands on all three: give --database, --broker and --objects")
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(143))  # so that the children are ended too
    try:
        folder, lock = claim_folder(ROOT / "var")
    except DemoError as error:
        return _fail(error)
    with lock:
        making, fastest = _what_is_played_on(options)
        pace: float | None = time_compression.speed(fastest, time_compression.share_of_a_core())
        while pace is not None:
            ended = _play(folder, making, pace, serve=not options.exit)
            if ended is not None:
                return ended
            pace = time_compression.slower(fastest, pace)
            _empty(folder)
            if pace is not None:
                print("Once more, slower.\n")
    print("\nThis computer is too slow, or too busy, for the demonstration: try again when less else runs on it.")
    return TOO_BUSY


def _what_is_played_on(options: argparse.Namespace) -> tuple[Making, float]:
    """What makes the server, and how many seconds it may show a second."""
    if options.database is None:
        return embedded, scenario.SECONDS_SHOWN_PER_SECOND
    stores = Stores(options.database, options.broker, options.objects)
    return fleet(stores), scenario.SECONDS_SHOWN_PER_SECOND * SHARE_OF_A_FLEET


def _play(folder: Path, making: Making, pace: float, *, serve: bool) -> int | None:
    """Play the day at so many seconds a second, and judge it; None where the computer was too busy for that."""
    stage = story.set_the_stage(folder, making, pace)
    try:
        kept = _run(stage, time.monotonic())
        if kept is None:
            return None
        if serve:
            _serve(stage)
        return 0 if kept else 1
    except DemoError as error:
        if time_compression.too_busy([*stage.shares, time_compression.share_of_a_core()]):
            print(f"\nThis computer was too busy to go on: {error}")
            return None
        return _fail(error)
    except KeyboardInterrupt:
        return 130
    finally:
        stage.close()


def _run(stage: Stage, began: float) -> bool | None:
    _announce(stage)
    story.open_the_door(stage)
    story.furnish(stage)
    story.enrol_nodes(stage)
    with stalls.watching(stage.folder) as longest_s:
        story.play(stage)
    for child in stage.nodes.values():
        child.stop()
    everyone = report.read_all(stage)
    found = report.measure(stage, everyone)
    still = stalls.stood_still(longest_s[0], stage.clock.rate)
    judged = verdict(found, stage.shares, stood_still=still)
    if judged == "too-busy":
        print(f"\nThis computer was too busy to show {', '.join(broken_names(found))}: nothing is said of it.")
        print(f"It stood still for {longest_s[0]:.2f} s at the longest.")
        return None
    print("\nThe promises, measured on the papers and in the log:")
    report.tell(found)
    took_s = time.monotonic() - began
    path = report.write(stage, everyone, found, took_s)
    print(f"\n{sum(p.holds for p in found)} of {len(found)} promises kept in {took_s:.0f} s.")
    print(f"  the report  {path.relative_to(ROOT)}")
    for station in scenario.STATIONS:
        names = " and ".join(f"{station.id}-{what}.png" for what in ("paper", "view"))
        print(f"  the paper   {stage.folder.relative_to(ROOT)}/: {names}")
    return judged == "kept"


def _announce(stage: Stage) -> None:
    """The first lines: how fast, how long, and where to look meanwhile."""
    pace = stage.clock.rate
    slower = (
        "" if pace == scenario.SECONDS_SHOWN_PER_SECOND else ", slower than usual as this computer is busy otherwise"
    )
    lasts_s = (scenario.HOURS + scenario.LEAD_HOURS) * 3600.0 / pace + SET_UP_S
    print(f"{scenario.STUDIO}: {scenario.HOURS:g} hours, {pace:.0f} times as fast{slower}")
    print(f"  this takes about {'a minute and a half' if lasts_s < 100 else f'{math.ceil(lasts_s / 60)} minutes'}")
    print(f"  the console meanwhile: {stage.studio.address}/", flush=True)


def _serve(stage: Stage) -> None:
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
