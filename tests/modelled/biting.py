"""`python -m tests.modelled.biting`: whether each mistake made on purpose in the node is found beside a model of the
server, and after how many hours of those that can show it. Ends with 1 where one is not found within its number."""

from __future__ import annotations

import argparse
import itertools
import json
import os
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from tests.faults.scenario import Scenario
from tests.modelled.scenario import draw
from tests.modelled.series import IN_MEMORY, Stand, make_stand, play_one
from tests.modelled.wrongs import WRONGS
from tests.simulated.wrongs import Wrong


def main() -> int:
    """Try what was asked for."""
    parser = argparse.ArgumentParser(prog="python -m tests.modelled.biting", description=__doc__)
    parser.add_argument("--only", nargs="+", choices=WRONGS, help="these mistakes (default: all)")
    names = parser.parse_args().only or list(WRONGS)
    with tempfile.TemporaryDirectory(prefix="dayroll-biting-", dir=IN_MEMORY if IN_MEMORY.is_dir() else None) as folder:
        stand = make_stand(Path(folder))
        found = {name: found_after(stand, WRONGS[name]) for name in names}
    sys.stdout.write(json.dumps(found, indent=2) + "\n")
    return 1 if None in found.values() else 0


def found_after(stand: Stand, wrong: Wrong) -> int | None:
    """How many hours it took; None where it was not found within its number."""
    with wrong.put():
        for number, scenario in enumerate(itertools.islice(_that_may_show(wrong), wrong.within), 1):
            if play_one(stand, scenario).result.problems:
                return number
    return None


def _that_may_show(wrong: Wrong) -> Iterator[Scenario]:
    return (scenario for scenario in map(draw, itertools.count(1)) if not wrong.has or wrong.has & scenario.has)


if __name__ == "__main__":
    sys.exit(main())
