"""`make load`: many honest nodes at a server of its own on loopback, and whether anything was lost or late.

The nodes are real but for what is beside them: exchange, journal and print loop of each run in a few processes, with a
simulated machine. A console stands open meanwhile, and a calendar program asks at each venue. Prints polls, reports,
percentiles, and what each process takes; writes `var/load.json`; ends with 1 where something was lost or late.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from server.demo.server_parts import Making, Stores, embedded, fleet
from tests.load.play import Asked, play
from tests.load.told import summary
from tests.services import CAREFUL, postgresql, redis

# A thousand boards have a card each; here all of them would share one disk.
MEMORY = Path("/dev/shm")


def main() -> int:
    """Play, print, write."""
    parser = argparse.ArgumentParser(prog="python -m tests.load", description=__doc__)
    parser.add_argument("--nodes", type=int, default=100, help="how many (default 100)")
    parser.add_argument("--minutes", type=float, default=2.0, help="how long, once all have begun (default 2)")
    parser.add_argument("--venues", type=int, default=20, help="at how many venues they stand (default 20)")
    parser.add_argument("--rate", type=float, default=1.0, help="how fast the clock runs (default 1: it is real)")
    parser.add_argument("--fleet", action="store_true", help="on PostgreSQL, Redis, workers, a beat and two processes")
    parser.add_argument("--out", type=Path, default=Path("var/load.json"), help="where the figures are written")
    options = parser.parse_args()
    asked = Asked(options.nodes, options.venues, options.minutes * 60.0, options.rate)
    where = MEMORY if MEMORY.is_dir() else None
    with _making(is_fleet=options.fleet) as making, tempfile.TemporaryDirectory(prefix="load-", dir=where) as folder:
        played = play(asked, making, Path(folder), lambda line: print(line, flush=True))
    told = summary(asked, played)
    options.out.parent.mkdir(parents=True, exist_ok=True)
    options.out.write_text(json.dumps(told, indent=1) + "\n")
    for wrong in played.broken[:20]:
        print(f"  broken: {wrong}")
    print(f"{len(played.broken)} promises broken; {options.out}" if played.broken else f"all held; {options.out}")
    return 1 if played.broken else 0


@contextmanager
def _making(*, is_fleet: bool) -> Iterator[Making]:
    if not is_fleet:
        yield embedded
        return
    with postgresql(settings=CAREFUL) as database, redis() as broker:
        yield fleet(Stores(database, broker))


if __name__ == "__main__":
    sys.exit(main())
