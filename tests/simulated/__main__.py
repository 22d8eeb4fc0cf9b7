"""`make simulate N=1000 SEED=1`: seeded scenarios in simulated worlds, judged as the fault runs are.

Server and nodes are the real programs in one process under virtual time, so that the same seed gives the same bytes.
Writes `var/simulate.json`, whatever happens. Ends with 1 where a scenario broke or could not be played; each is told
with the command that plays it again, with no more faults than it takes. `--only SEED` plays some again and tells their
stories. `--wrong NAME` puts a mistake of `tests/simulated/wrongs.py` in place of the right code.
"""

from __future__ import annotations

import argparse
import itertools
import json
import os
import sys
import time
from collections import Counter
from pathlib import Path
from typing import Any

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from server.demo.processes import ROOT
from tests.faults.kinds import ALL
from tests.faults.scenario import Scenario, draw
from tests.faults.series import line, story, summary
from tests.simulated.more import draw_more
from tests.simulated.series import Played, play_all
from tests.simulated.smallest import with_faults
from tests.simulated.wrongs import WRONGS

FILE = ROOT / "var" / "simulate.json"


def main() -> int:
    """Play what was asked for."""
    options = _parser().parse_args()
    scenarios = choose(options)
    began, played = time.monotonic(), list[Played]()
    try:
        for one in play_all(scenarios, min(options.workers, len(scenarios)), options.wrong):
            played.append(one)
            _tell(one, f"{len(played)}/{len(scenarios)}", whole=options.only is not None)
    finally:  # also of a series that is broken off
        found = summed_up(played, time.monotonic() - began)
        options.file.parent.mkdir(parents=True, exist_ok=True)
        options.file.write_text(json.dumps(found, indent=2) + "\n")
    broken = [one for one in played if one.result.problems]
    rate = f"{found['per_hour']['scenarios']} an hour, {found['processor_s']} s of a processor each"
    _say(f"\n{len(played) - len(broken)} of {len(played)} scenarios kept, {rate}; {options.file}")
    for one in broken:
        _say(f"  again with  {one.again}")
    return 1 if broken else 0


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="make simulate", description=__doc__)
    parser.add_argument("--scenarios", type=int, default=100, help="how many (default 100)")
    parser.add_argument("--seed", type=int, default=1, help="of the first; the others follow one by one")
    parser.add_argument("--only", type=int, nargs="+", metavar="SEED", help="play these and tell their stories")
    parser.add_argument("--faults", type=int, nargs="*", metavar="NUMBER", help="of --only, these faults only, from 0")
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1, help="scenarios at a time")
    parser.add_argument("--plain", action="store_true", help="the scenarios of fault runs, without what is more here")
    parser.add_argument(
        "--with", dest="having", nargs="*", default=(), choices=ALL, help="only with one of these faults"
    )
    parser.add_argument("--without", nargs="*", default=(), choices=ALL, help="pass over scenarios with these faults")
    parser.add_argument("--wrong", choices=WRONGS, help="a mistake to be found")
    parser.add_argument("--file", type=Path, default=FILE, help="where to write what was found")
    return parser


def choose(options: argparse.Namespace) -> list[Scenario]:
    """The scenarios that were asked for."""
    drawn = draw if options.plain else draw_more
    if options.only is not None:
        chosen = [drawn(seed) for seed in options.only]
        return chosen if options.faults is None else [with_faults(one, options.faults) for one in chosen]
    kept = (one for one in map(drawn, itertools.count(options.seed)) if _is_wanted(one, options))
    return list(itertools.islice(kept, options.scenarios))


def _is_wanted(scenario: Scenario, options: argparse.Namespace) -> bool:
    has = not options.having or bool(scenario.kinds & set(options.having))
    return has and not scenario.kinds & set(options.without)


def summed_up(played: list[Played], took_s: float) -> dict[str, Any]:
    """The contents of `var/simulate.json`."""
    results = sorted((one.result for one in played), key=lambda one: one.scenario.seed)
    found = summary(results, [], took_s, sum((one.hits for one in played), Counter()))
    found["again"] = [one.again for one in played if one.result.problems]
    found["digests"] = {str(seed): digests for seed, digests in sorted(_digests(played).items())}
    found["per_hour"] = {"scenarios": round(len(played) / took_s * 3600.0)}
    found["processor_s"] = round(sum(one.processor_s for one in played) / max(len(played), 1), 3)
    return found


def _digests(played: list[Played]) -> dict[int, dict[str, str]]:
    return {one.result.scenario.seed: one.digests for one in played}


def _tell(played: Played, number: str, *, whole: bool) -> None:
    _say(line(played.result, number))
    if played.result.problems or whole:
        _say(story(played.result))


def _say(text: str) -> None:
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


if __name__ == "__main__":
    sys.exit(main())
