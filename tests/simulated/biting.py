"""`python -m tests.simulated.biting`: whether each mistake made on purpose is found, and after how many plays.

A play counts only if it is kept without the mistake. Writes `var/biting.json`. Ends with 1 where a mistake is not found
within its number: a gap in what is played or judged.
"""

from __future__ import annotations

import argparse
import itertools
import json
import os
import sys
import time
from collections.abc import Mapping
from contextlib import closing
from dataclasses import asdict, dataclass
from pathlib import Path

from server.demo.processes import ROOT
from tests.simulated.floor import Floor, begin, floor_here, played_here, stand_here
from tests.simulated.forks import branches
from tests.simulated.prefixes import prefixes
from tests.simulated.series import FLOOR
from tests.simulated.workers import spread
from tests.simulated.wrongs import WRONGS, Wrong

FILE = ROOT / "var" / "biting.json"


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


def run(floor: Floor, wrongs: Mapping[str, Wrong], file: Path, arguments: list[str] | None = None) -> int:
    """Try what is asked for; the exit status.

    Args:
        floor: on which.
        wrongs: that may be tried, by name.
        file: where what was found is written unless somebody says where.
        arguments: of the command.
    """
    says = f"Whether each mistake made on purpose is found, and after how many plays; writes {file.relative_to(ROOT)}."
    parser = argparse.ArgumentParser(prog=f"python -m tests.{floor.name}.biting", description=says)
    parser.add_argument("--only", nargs="+", choices=wrongs, help="these mistakes (default: all)")
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1, help="mistakes at a time")
    parser.add_argument("--file", type=Path, default=file, help="where to write what was found")
    options = parser.parse_args(arguments)
    names, bites = options.only or list(wrongs), list[Bite]()
    for bite in spread("biting", min(options.workers, len(names)), begin, (floor,), _work, names):
        bites.append(bite)
        verdict = "NOT FOUND" if bite.found is None else f"found at {bite.played:3}"
        sys.stdout.write(f"{bite.name:24} {verdict}  {wrongs[bite.name].says}: {(bite.found or '')[:100]}\n")
        sys.stdout.flush()
    options.file.parent.mkdir(parents=True, exist_ok=True)
    options.file.write_text(json.dumps([asdict(bite) for bite in bites], indent=2) + "\n")
    return 1 if any(bite.found is None for bite in bites) else 0


def _work(name: str) -> Bite:
    began, wrong = time.monotonic(), floor_here().mistake(name)
    played, found = (in_scenarios if wrong.where == "seeds" else in_branches)(wrong)
    return Bite(name=name, played=played, found=found, took_s=time.monotonic() - began)


def in_scenarios(wrong: Wrong) -> tuple[int, str | None]:
    """After how many scenarios there was something to complain of that there is not without the mistake, and what."""
    for number, scenario in enumerate(itertools.islice(wrong.scenarios(), wrong.within), 1):
        with wrong.put():
            found = played_here(scenario).result.problems
        if found and not played_here(scenario).result.problems:
            return number, found[0]
    return wrong.within, None


def in_branches(wrong: Wrong) -> tuple[int, str | None]:
    """The same in the branches of a prefix; without the mistake all are kept until then."""
    with wrong.put():
        number, found = _first_broken(wrong, wrong.within)
    if found is not None and _first_broken(wrong, number)[1] is None:
        return number, found
    return number, None


def _first_broken(wrong: Wrong, most: int) -> tuple[int, str | None]:
    """How many branches it took until one broke, of so many at most, and what there is to complain of."""
    assert wrong.where != "seeds"
    prefix, number = next(one for one in prefixes() if one.scenario.policy == wrong.policy), 0
    with closing(branches(stand_here(), prefix.scenario, prefix.from_h, wrong.where)) as played:
        for number, branch in enumerate(itertools.islice(played, most), 1):
            if branch.problems:
                return number, branch.problems[0]
    return number, None


if __name__ == "__main__":
    sys.exit(run(FLOOR, WRONGS, FILE))
