"""The outages that nodes settle in hours beside a model of the server, gap by gap: what was missing, by which rule, at
what pace, and what became of it.

`python -m tests.modelled.settled --only 1 2 3` prints them as JSON.
"""

from __future__ import annotations

import argparse
import json
import shutil
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from machines.protocol.messages import pace
from machines.serialization import unstructure
from tests.modelled.known import Known
from tests.modelled.scenario import draw
from tests.modelled.series import Stand, make_stand, play
from tests.simulated.workers import in_memory


def main() -> int:
    """Play the hours that were asked for."""
    parser = argparse.ArgumentParser(prog="python -m tests.modelled.settled", description=__doc__)
    parser.add_argument("--only", type=int, nargs="+", required=True, metavar="SEED", help="of fault runs")
    found = settled(parser.parse_args().only)
    sys.stdout.write(json.dumps(found) + "\n")
    return 0


def settled(seeds: Sequence[int]) -> list[dict[str, Any]]:
    """Every outage of these hours."""
    with in_memory("settled") as folder:
        stand = make_stand(folder)
        return [one for seed in seeds for one in _of_hour(stand, seed)]


def _of_hour(stand: Stand, seed: int) -> list[dict[str, Any]]:
    scenario, folder = draw(seed), Path(f"seed-{seed}")
    with stand.lane(scenario) as lane:
        play(lane, scenario, folder)
        found = list(_told(lane.server.known))
    shutil.rmtree(folder)
    return [{"seed": seed} | one for one in found]


def _told(known: Known) -> Iterator[dict[str, Any]]:
    for fact in known.facts:
        told = fact["data"]
        if fact["kind"] == "gap-settled" and (run := known.runs.get(told["run"])) is not None:
            its_pace = unstructure(pace(known.profile, run.work))
            yield {"pace": its_pace} | {name: told[name] for name in ("gap", "policy", "decision")}


if __name__ == "__main__":
    sys.exit(main())
