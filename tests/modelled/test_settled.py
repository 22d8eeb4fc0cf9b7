"""What nodes settled in drawn hours of faults is settled alike in the arrays that a rehearsal is played with, outage by
outage: so the columns missed in an outage, by rule, are those of the fault runs."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections import Counter
from typing import Any

from machines.recovery import Decision, Gap, Pace, Policy
from machines.serialization import structure
from scheduling.rehearsal.settling import settle_all
from scheduling.rehearsal.spans import Spans
from server.demo.processes import ROOT
from tests.scheduling.rehearsal.test_settling import BEGAN, in_arrays, in_numbers

# Hours of each rule, on both machines.
SEEDS = range(1, 101)


def told() -> list[dict[str, Any]]:
    command = [sys.executable, "-m", "tests.modelled.settled", "--only", *map(str, SEEDS)]
    done = subprocess.run(command, cwd=ROOT, env=os.environ, capture_output=True, text=True, timeout=900, check=False)
    assert done.returncode == 0, done.stderr
    found: list[dict[str, Any]] = json.loads(done.stdout)
    return found


def test_what_nodes_settled_is_settled_alike_in_arrays() -> None:
    outages, missed, ours = Counter[str](), Counter[str](), Counter[str]()
    for one in told():
        gap, decision, pace = (
            structure(one["gap"], Gap),
            structure(one["decision"], Decision),
            structure(one["pace"], Pace),
        )
        rule = gap.rule(structure(one["policy"], Policy))
        closed = [
            ((span.starts_at - BEGAN).total_seconds(), (span.ends_at - BEGAN).total_seconds()) for span in gap.closed
        ]
        noticed_s = (gap.noticed_at - BEGAN).total_seconds()
        arrays = in_arrays([gap], max([noticed_s, *(ends for _, ends in closed)]))
        found = settle_all(rule, arrays, pace, Spans.of(closed))
        assert {name: getattr(found, name)[0].item() for name in in_numbers(decision)} == in_numbers(decision), one
        outages[rule.kind] += 1
        missed[rule.kind] += len(decision.skipped)
        ours[rule.kind] += int(found.skipped[0])
    assert ours == missed
    assert min(outages[kind] for kind in ("skip", "blank", "replay", "replay-within", "shift")) >= 1, outages
    assert missed["skip"] > 0
