"""The measurements of `tests.benchmarks.rebuilding` on the database that the environment names, as JSON on standard
output: seconds."""
# ruff: noqa: E402 (Django wants to be set up before models are imported)

from __future__ import annotations

import json
import os
import subprocess
import sys

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "server.settings")

import django

django.setup()

from django.core.management import call_command
from django.db.models import F

from scheduling.log.models import Machine, Segment
from scheduling.log.rebuilding.rebuild import rebuild
from scheduling.log.store import Append, append, appended
from tests.scheduling.log.facts import (
    COLUMNS_PER_SEGMENT,
    by,
    machine,
    printed,
    profile,
    run,
    say,
    segments,
    source,
    venue,
)

MACHINES, SEGMENTS, SEGMENTS_A_TURN, REPORTED = 300, 430, 48, 10
PACE_S = 0.1


def main() -> None:
    """A house full of machines, a board that reports, and a rebuild: with nothing to put right, and with much."""
    if sys.argv[1:]:
        return _report()
    call_command("migrate", verbosity=0, skip_checks=True)
    _furnish()
    found = {"rebuild-hold": _longest()}
    Segment.objects.update(worst_miss_s=F("number") + 0.5)
    found["rebuild-swap"] = _longest()
    if not all(one.equal for one in rebuild(swap=False)):
        raise AssertionError("the rebuild did not put right what differed, or lost what was reported meanwhile")
    json.dump(found, sys.stdout)


def _furnish() -> None:
    """The same events under as many names."""
    say("venue/boathouse", venue())
    say("profile/carriage", profile())
    say("source/land", source())
    for number in range(MACHINES):
        name, of = f"m{number}", f"r{number}"
        planned = [
            segments(*range(first, min(first + SEGMENTS_A_TURN, SEGMENTS)))
            for first in range(0, SEGMENTS, SEGMENTS_A_TURN)
        ]
        whole = run(machine=name, end_column=SEGMENTS * COLUMNS_PER_SEGMENT)
        told = [
            printed(seq + 1, seq * COLUMNS_PER_SEGMENT, (seq + 1) * COLUMNS_PER_SEGMENT, run=of, segment=seq)
            for seq in range(REPORTED)
        ]
        append(
            [
                Append(f"machine/{name}", 0, [machine(name=name)]),
                Append(f"run/{of}", 0, [whole, *planned]),
                Append(f"machine/{name}", None, told),
            ],
            by(),
        )


def _longest() -> float:
    """The longest that a board waited for its turn while all is folded again."""
    board = subprocess.Popen(
        [sys.executable, "-m", "tests.benchmarks.rebuilding_rounds", "report"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert board.stdin is not None and board.stdout is not None
    board.stdout.readline()  # it has begun
    rebuild()
    told, _ = board.communicate("\n")
    return max(json.loads(told))


def _report() -> None:
    """Report until somebody says that it is enough; then say how long each report waited."""
    import select

    waited: list[float] = []
    appended.connect(lambda sender, **told: waited.append(told["waited_s"]), weak=False)
    seq = Machine.objects.get(id="m0").accepted_through
    while not select.select([sys.stdin], [], [], PACE_S)[0]:
        seq += 1
        first = seq % COLUMNS_PER_SEGMENT
        say("machine/m0", printed(seq, first, first + 1, run="r0"))
        if len(waited) == 1:
            print("reporting", flush=True)
            waited[0] = 0.0  # its connection was made
    json.dump(waited, sys.stdout)


if __name__ == "__main__":
    main()
