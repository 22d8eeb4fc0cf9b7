"""The commands that play seeded scenarios: what is asked for, what is told meanwhile, and where it is put."""

from __future__ import annotations

import argparse
import json
import os
import sys
import time
from collections import Counter
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from server.demo.processes import ROOT
from tests.faults.scenario import Scenario
from tests.faults.series import line, story
from tests.simulated.floor import Floor, Played, play_all
from tests.simulated.smallest import Plan, whole

FILE = ROOT / "var" / "simulate.json"
# After so many seeds in a row none of which is wanted, none is looked for any more.
LOOKED_THROUGH = 10_000
# Of no more scenarios the digests are kept.
DIGESTS = 1000


@dataclass(frozen=True, kw_only=True)
class Command:
    """What a command plays.

    Attributes:
        floor: on which.
        says: what it does, in words.
        draw: the scenario of a seed.
        plain: the same with less in it; None where there is no less.
        kinds: of faults that are drawn.
        wrongs: names of mistakes.
        scenarios: how many where nobody says.
        told_every: of so many scenarios that were kept one is told.
    """

    floor: Floor
    says: str
    draw: Callable[[int], Scenario]
    plain: Callable[[int], Scenario] | None = None
    kinds: Collection[str]
    wrongs: Collection[str]
    scenarios: int
    told_every: int = 1

    def run(self, arguments: list[str] | None = None) -> int:
        """Play what is asked for; the exit status."""
        parser = self.parser()
        options = parser.parse_args(arguments)
        plans = choose(parser, options, self.plain if self.plain is not None and options.plain else self.draw)
        began, summary = time.monotonic(), Summary(again=lambda played: self.again(options, played))
        try:
            for one in play_all(self.floor, plans, min(options.workers, len(plans)), options.wrong):
                summary.add(one)
                self._tell(one, summary.count, len(plans), whole=options.only is not None)
        finally:  # also of a series that is broken off
            found = summary.told(time.monotonic() - began)
            put_into(options.file, self.floor.name, found)
        kept = f"{found['scenarios'] - len(found['broken'])} of {found['scenarios']} scenarios kept"
        rate = f"{found['scenarios_an_hour']} an hour, {found['processor_s']} s of a processor each"
        _say(f"\n{kept}, {rate}; {options.file}")
        for again in found["again"]:
            _say(f"  again with  {again}")
        return 1 if found["broken"] else 0

    def again(self, options: argparse.Namespace, played: Played) -> str:
        """The command that plays it once more, drawn the same way and with nothing that can be spared."""
        words = ["python", "-m", f"tests.{self.floor.name}", "--only", str(played.result.scenario.seed)]
        words += [] if played.needed is None else played.needed.options
        words += ["--plain"] if self.plain is not None and options.plain else []
        words += [] if options.wrong is None else ["--wrong", options.wrong]
        return " ".join(words)

    def parser(self) -> argparse.ArgumentParser:
        """What may be asked for."""
        parser = argparse.ArgumentParser(prog=f"python -m tests.{self.floor.name}", description=self.says)
        add = parser.add_argument
        add("--scenarios", type=_at_least_one, default=self.scenarios, help=f"how many (default {self.scenarios})")
        add("--seed", type=int, default=1, help="of the first; the others follow one by one")
        add("--only", type=int, nargs="+", metavar="SEED", help="play these and tell their stories")
        add("--faults", type=int, nargs="*", metavar="NUMBER", help="of --only, these faults only, from 0")
        add("--beside", type=int, nargs="*", metavar="NUMBER", help="of --only, these neighbours only, from 0")
        add("--nothing-lost", action="store_true", help="of --only, cards lose nothing that was not synced")
        add("--workers", type=_at_least_one, default=os.cpu_count() or 1, help="scenarios at a time")
        kinds = ", ".join(self.kinds)
        add("--with", dest="having", nargs="+", choices=self.kinds, metavar="KIND", help=f"only with one of {kinds}")
        add("--without", nargs="+", choices=self.kinds, metavar="KIND", help="pass over scenarios with one of these")
        if self.plain is not None:
            add("--plain", action="store_true", help="the scenarios of fault runs, without what is more here")
        add("--wrong", choices=self.wrongs, metavar="MISTAKE", help=f"a mistake to be found: {', '.join(self.wrongs)}")
        add("--file", type=Path, default=FILE, help="where to put what was found")
        return parser

    def _tell(self, played: Played, number: int, count: int, *, whole: bool) -> None:
        in_full = whole or bool(played.result.problems)
        if in_full or number % self.told_every == 0:
            _say(line(played.result, f"{number}/{count}"))
        if in_full:
            _say(story(played.result))


def choose(parser: argparse.ArgumentParser, options: argparse.Namespace, draw: Callable[[int], Scenario]) -> list[Plan]:
    """Plans of the scenarios that were asked for; ends the command where that cannot be."""
    if options.only is None:
        if options.faults is not None or options.beside is not None or options.nothing_lost:
            parser.error("--faults, --beside and --nothing-lost are of the scenarios of --only")
        return list(map(whole, _wanted(parser, options, draw)))
    if options.having or options.without:
        parser.error("--with and --without choose among seeds, and --only names them: give one or the other")
    return [_only(parser, options, whole(draw(seed))) for seed in options.only]


def _wanted(
    parser: argparse.ArgumentParser, options: argparse.Namespace, draw: Callable[[int], Scenario]
) -> list[Scenario]:
    having, without = set(options.having or ()), set(options.without or ())
    found, seed, last = list[Scenario](), options.seed, options.seed
    while len(found) < options.scenarios:
        scenario = draw(seed)
        if (not having or scenario.kinds & having) and not scenario.kinds & without:
            found.append(scenario)
            last = seed
        elif seed - last >= LOOKED_THROUGH:
            parser.error(f"none of the {LOOKED_THROUGH} seeds from {last} on has what --with and --without ask for")
        seed += 1
    return found


def _only(parser: argparse.ArgumentParser, options: argparse.Namespace, plan: Plan) -> Plan:
    if options.faults is not None:
        plan = replace(plan, faults=_some_of(parser, "--faults", options.faults, plan.faults))
    if options.beside is not None:
        plan = replace(plan, beside=_some_of(parser, "--beside", options.beside, plan.beside))
    return replace(plan, loses=not options.nothing_lost)


def _some_of(
    parser: argparse.ArgumentParser, option: str, numbers: Sequence[int], there: Collection[int]
) -> tuple[int, ...]:
    if not set(numbers) <= set(there):
        parser.error(f"{option} {' '.join(map(str, numbers))}: there are {len(there)}, numbered from 0")
    return tuple(sorted(set(numbers)))


def _at_least_one(text: str) -> int:
    number = int(text)
    if number < 1:
        raise argparse.ArgumentTypeError(f"{number} is not at least 1")
    return number


class Summary:
    """What a series has come to so far; of what was kept, no more than numbers."""

    def __init__(self, again: Callable[[Played], str]) -> None:
        self.count, self.processor_s, self._again = 0, 0.0, again
        self.problems, self.again = dict[int, list[str]](), dict[int, str]()
        self.faults, self.broken_by_kind, self.ended = Counter[str](), Counter[str](), Counter[str]()
        self.columns, self.hits = Counter[str](), Counter[str]()
        self.digests = dict[int, dict[str, str]]()

    def add(self, played: Played) -> None:
        """One more."""
        result = played.result
        self.count += 1
        self.processor_s += played.processor_s
        self.faults.update(fault.kind for fault in result.scenario.faults)
        self.columns.update(result.columns)
        self.hits.update(played.hits)
        self.ended.update(map(str, result.restarts))
        if self.count <= DIGESTS:
            self.digests[result.scenario.seed] = played.digests
        if result.problems:
            self.broken_by_kind.update(result.scenario.kinds)
            self.problems[result.scenario.seed] = result.problems
            self.again[result.scenario.seed] = self._again(played)

    def told(self, took_s: float) -> dict[str, Any]:
        """What is put into the file."""
        return {
            "scenarios": self.count,
            "broken": sorted(self.problems),
            "problems": {str(seed): problems for seed, problems in sorted(self.problems.items())},
            "again": [again for _, again in sorted(self.again.items())],
            "faults": dict(sorted(self.faults.items())),
            "broken_by_kind": dict(sorted(self.broken_by_kind.items())),
            "network_struck": dict(sorted(self.hits.items())),
            "agents_that_ended_by_themselves": dict(sorted(self.ended.items())),
            "columns": dict(self.columns),
            "digests": {str(seed): digests for seed, digests in sorted(self.digests.items())},
            "took_s": round(took_s, 1),
            "processor_s": round(self.processor_s / max(1, self.count), 3),
            "scenarios_an_hour": round(self.count / took_s * 3600.0),
        }


def put_into(file: Path, name: str, found: dict[str, Any]) -> None:
    """Put what was found into a file, under a name, beside what others have put there."""
    file.parent.mkdir(parents=True, exist_ok=True)
    partial = file.with_suffix(".partial")
    partial.write_text(json.dumps(_there(file) | {name: found}, indent=2) + "\n")
    partial.replace(file)


def _there(file: Path) -> dict[str, Any]:
    """What is in the file; nothing where there is none that can be read."""
    try:
        there = json.loads(file.read_text())
    except (FileNotFoundError, ValueError):
        return {}
    return there if isinstance(there, dict) else {}


def _say(text: str) -> None:
    sys.stdout.write(text + "\n")
    sys.stdout.flush()
