"""`python -m tests.simulated.biting`: whether each mistake made on purpose is found, and after how many plays.

Writes `var/biting.json`. Ends with 1 where one is not found within its number: a gap in what is played or judged.
"""

from __future__ import annotations

import argparse
import itertools
import json
import multiprocessing
import os
import sys
import tempfile
import time
from collections.abc import Generator, Iterator
from contextlib import closing
from dataclasses import asdict, dataclass
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from server.demo.processes import ROOT, DemoError
from tests.faults.scenario import Scenario
from tests.simulated.forks import branches
from tests.simulated.lane import Stand, make_stand
from tests.simulated.prefixes import prefixes
from tests.simulated.series import IN_MEMORY, play_one
from tests.simulated.wrongs import WRONGS, Wrong

FILE = ROOT / "var" / "biting.json"
_STANDS: list[Stand] = []


@dataclass(frozen=True, kw_only=True)
class Bite:
    """What became of a mistake.

    Attributes:
        name: of it.
        played: how many scenarios or branches, the one that found it included.
        found: what was complained of, in words; None where nothing was.
        took_s: real seconds.
    """

    name: str
    played: int
    found: str | None
    took_s: float


def main() -> int:
    """Try what was asked for."""
    parser = argparse.ArgumentParser(prog="python -m tests.simulated.biting", description=__doc__)
    parser.add_argument("--only", nargs="+", choices=WRONGS, help="these mistakes (default: all)")
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1, help="mistakes at a time")
    parser.add_argument("--file", type=Path, default=FILE, help="where to write what was found")
    options = parser.parse_args()
    names, bites = options.only or list(WRONGS), list[Bite]()
    for bite in bite_all(names, min(options.workers, len(names))):
        bites.append(bite)
        verdict = "NOT FOUND" if bite.found is None else f"found at {bite.played:3}"
        sys.stdout.write(f"{bite.name:24} {verdict}  {WRONGS[bite.name].says}: {(bite.found or '')[:100]}\n")
        sys.stdout.flush()
    options.file.parent.mkdir(parents=True, exist_ok=True)
    options.file.write_text(json.dumps([asdict(bite) for bite in bites], indent=2) + "\n")
    return 1 if any(bite.found is None for bite in bites) else 0


def bite_all(names: list[str], workers: int) -> Iterator[Bite]:
    """Try mistakes, several at a time."""
    place = IN_MEMORY if IN_MEMORY.is_dir() else None
    with (
        tempfile.TemporaryDirectory(prefix="dayroll-biting-", dir=place) as folder,
        multiprocessing.get_context("spawn").Pool(workers, _begin, (folder,)) as pool,
    ):
        yield from pool.imap_unordered(_work, names)


def _begin(folder: str) -> None:
    """This process is a worker's."""
    _STANDS.append(make_stand(Path(tempfile.mkdtemp(dir=folder))))


def _work(name: str) -> Bite:
    began, wrong, played = time.monotonic(), WRONGS[name], 0
    with closing(_problems(wrong)) as plays:
        for problems in itertools.islice(plays, wrong.within):
            played += 1
            if problems:
                return Bite(name=name, played=played, found=problems[0], took_s=time.monotonic() - began)
    return Bite(name=name, played=played, found=None, took_s=time.monotonic() - began)


def _problems(wrong: Wrong) -> Generator[list[str], None, None]:
    """What there is to complain of with the mistake, and would not be without it, of one scenario or branch after
    another."""
    if wrong.where == "seeds":
        for scenario in wrong.scenarios():
            with wrong.put():
                found = _complaints(scenario)
            yield [] if found and _complaints(scenario) else found
        return
    prefix = next(one for one in prefixes() if one.scenario.policy == wrong.policy)
    with wrong.put(), closing(branches(_STANDS[0], prefix.scenario, prefix.from_h, wrong.where)) as played:
        for branch in played:
            yield branch.problems


def _complaints(scenario: Scenario) -> list[str]:
    try:
        return play_one(_STANDS[0], scenario).result.problems
    except DemoError as error:  # so much is wrong that nothing can be judged
        return [str(error)]


if __name__ == "__main__":
    sys.exit(main())
