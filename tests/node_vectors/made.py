"""The vectors, each with what its members are."""

from __future__ import annotations

import base64
import random
from collections.abc import Callable, Mapping
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np

import machines.protocol
from machines.imaging.plate import Plate
from machines.model.head import NO_NOZZLE, plan
from machines.model.profile import CarriageHead, Profile
from machines.model.slots import boundaries
from machines.node.clock.samples import measured
from machines.node.work.bursts import first_after, next_burst
from machines.node.work.held_work import HeldWork
from machines.protocol.messages import RunWork, SegmentWork, pace
from machines.recovery import Columns, Gap, Policy, settle
from machines.recovery.policy import CauseRule, Limit, Rule
from machines.serialization import unstructure
from tests.machines.recovery.worlds import CAUSES

FOLDER = Path(machines.protocol.__file__).parent / "vectors"
BEGINS = datetime(2026, 3, 20, 12, tzinfo=UTC)


def plates() -> dict[str, Any]:
    """Small ones, of widths that fill an octet and that do not."""
    chance, made = random.Random(1), []
    for across, columns in ((8, 16), (9, 13), (16, 7), (11, 40)):
        dots = np.array([[chance.random() < 0.4 for _ in range(columns)] for _ in range(across)])
        plate = Plate(dots)
        rows = ["".join("#" if dot else "." for dot in row) for row in dots]
        png = base64.b64encode(plate.to_png()).decode()
        made.append({"columns": columns, "rows": rows, "png": png, "digest": plate.digest})
    said = (
        "`rows`: the dots from the upper edge down, # for a dot; `png`: base64 (RFC 4648); `digest`: the plate's name"
    )
    return {"about": said, "plates": made}


def profile(columns_per_burst: int, columns_per_turn: int = 360, knife_mm: float = 20.0) -> Profile:
    """A machine."""
    return Profile.from_json(
        {
            "name": "Wren",
            "columns_per_turn": columns_per_turn,
            "mm_per_turn": 120.0,
            "dots_across": 96,
            "print_width_mm": 40.0,
            "highest_mm_per_hour": 30.0,
            "columns_per_burst": columns_per_burst,
            "head": {"kind": "line", "dot_current_a": 0.03, "supply_current_a": 2.0, "strobe_s": 0.002},
            "media": {"width_mm": 50.0, "caliper_mm": 0.08, "roll_m": 30.0},
            "knife": {"head_to_knife_mm": knife_mm, "cuts_per_blade": 1000},
        }
    )


def _run(first: int, end: int, strips: int = 4) -> RunWork:
    return RunWork(
        id="spring", first_column=first, end_column=end, strips_per_turn=strips, nozzle_seed=7, mean_turn_s=86400.0
    )


def _segments(chance: random.Random, first: int, end: int) -> tuple[SegmentWork, ...]:
    """Three, whose columns do not come evenly."""
    cuts, at, made = sorted(chance.sample(range(first + 1, end), 2)), BEGINS, []
    for number, (begins, ends) in enumerate(zip((first, *cuts), (*cuts, end), strict=True), 1):
        knots = [at]
        for _ in range(chance.randint(1, 4)):
            knots.append(knots[-1] + timedelta(seconds=(ends - begins) * chance.uniform(60.0, 300.0)))
        at = knots[-1]
        digest = f"{number:064x}"
        made.append(SegmentWork(number=number, first_column=begins, end_column=ends, plate=digest, knots=tuple(knots)))
    return tuple(made)


def bursts() -> dict[str, Any]:
    """Work of a run, and of each column of it the burst that begins there or goes on, and when it is due."""
    chance, made = random.Random(2), []
    for cadence in (1, 3, 5, 16):
        first = chance.randint(1000, 3_000_000)
        run, parts = _run(first, first + 45), _segments(chance, first, first + 45)
        held = HeldWork(run=run, policy=Policy(kind="skip"), profile=profile(cadence), segments=parts)
        ours = []
        for column in range(run.first_column, run.end_column):
            burst = next_burst(held, column, 0, ())
            assert burst is not None
            ours.append([column, _until_knife(held, burst.end_column), round(burst.due, 6)])
        moments = [BEGINS.timestamp() + chance.uniform(0.0, 12_000.0) for _ in range(20)]
        late = [[at, first_after(held, at)] for at in moments]
        said = {"columns_per_burst": cadence, "run": unstructure(run), "segments": unstructure(parts)}
        made.append(said | {"bursts": ours, "first_after": late})
    said = (
        "`bursts`: from a column on, where its burst ends, and when it is due, POSIX seconds; a burst is parted where a"
        " segment or the run ends. `first_after`: at an instant, the first column of the first burst that is due later;"
        " null where the work does not tell"
    )
    return {"about": said, "works": made}


def _until_knife(held: HeldWork, end: int) -> int:
    assert held.profile.knife_columns >= held.profile.columns_per_burst, "or bursts would be parted for the knife"
    return end


def _rule(chance: random.Random, plain: bool) -> dict[str, Any]:
    kind = chance.choice(["skip", "replay"] if plain else ["skip", "replay", "replay-within", "shift", "blank"])
    within = Limit(value=chance.choice([0.5, 2.0, 12.0]), unit=chance.choice(["hours", "turns"]))
    half = "as-the-rest" if plain else chance.choice(["as-the-rest", "finish", "abandon", "again"])
    return {"kind": kind, "within": within if kind == "replay-within" else None, "half_printed": half}


def _policy(chance: random.Random, plain: bool) -> Policy:
    named = tuple(chance.sample(CAUSES, 2))
    exceptions = (CauseRule(causes=named, rule=Rule(**_rule(chance, plain))),) if chance.random() < 0.4 else ()
    return Policy(**_rule(chance, plain), by_cause=exceptions)


def _gap(chance: random.Random, first: int) -> Gap:
    unknown_end = first + chance.choice([0, 0, 1, 3, 16])
    end = unknown_end + chance.choice([0, 1, 7, 60, 900]) + (unknown_end == first)
    missing_since = BEGINS - timedelta(seconds=240.0 * (end - unknown_end))
    half = Columns(first=first - chance.randint(1, 9), end=unknown_end + chance.randint(1, 40))
    return Gap(
        first=first,
        unknown_end=unknown_end,
        end=end,
        cause=chance.choice(CAUSES),
        noticed_at=BEGINS,
        missing_since=missing_since,
        segment=half if chance.random() < 0.5 else None,
    )


def settlements() -> dict[str, Any]:
    """Gaps, and what becomes of them; half of them by the two plain rules."""
    chance, made = random.Random(3), []
    for number in range(240):
        first = chance.randint(1000, 3_000_000)
        run, model = _run(first - 50, first + chance.choice([950, 1500, 40_000])), profile(chance.choice([1, 3, 16]))
        policy, gap = _policy(chance, plain=number % 2 == 0), _gap(chance, first)
        decision = unstructure(settle(policy, gap, pace(model, run)))
        for told in ("reason", "hours_until_true", "paper_mm", "ink_ml"):
            del decision[told]
        said = {"policy": unstructure(policy), "gap": unstructure(gap), "columns_per_burst": model.columns_per_burst}
        made.append(said | {"end_column": run.end_column, "decision": decision})
    said = (
        "each on a machine of 360 columns and 120 mm a turn, which lays 30 mm an hour at most, under a turn of 86,400"
        " s; `end_column`: of the run; `decision`: what the server compares"
    )
    return {"about": said, "settlements": made}


def strips() -> dict[str, Any]:
    """Where strips begin."""
    chance, made = random.Random(4), []
    for _ in range(60):
        columns, number = chance.choice([7, 360, 1000, 14400]), chance.choice([0, 1, 3, 4, 7, 24])
        after = chance.randint(-1, 5 * columns)
        through = after + chance.randint(0, 2 * columns)
        found = boundaries(after, through, columns, number)
        said = {"columns_per_turn": columns, "strips_per_turn": number, "after": after, "through": through}
        made.append(said | {"boundaries": found})
    return {"about": "running columns at which strips begin, after one and up to another, that one too", "cases": made}


def clock() -> dict[str, Any]:
    """Four stamps, and what they prove."""
    chance, made = random.Random(5), []
    for _ in range(40):
        asked, way, stay = chance.uniform(0.0, 1e5), chance.uniform(0.0, 2.0), chance.uniform(0.0, 0.5)
        received = BEGINS.timestamp() + asked + chance.uniform(-1.0, 1.0)
        stamps = asked, received, received + stay, asked + way + stay
        sample = measured(*stamps)
        made.append({"stamps": stamps, "offset_s": sample.offset_s, "delay_s": sample.delay_s})
    said = "`stamps`: T1 to T4, T1 and T4 by the node's own seconds; `offset_s`: of the server's clock at its second 0"
    return {"about": said, "samples": made}


def nozzles() -> dict[str, Any]:
    """Which nozzles set which dot."""
    chance, made = random.Random(6), []
    for count, passes in ((4, 2), (12, 2), (12, 3)):
        head, seed = CarriageHead(nozzles=count, passes=passes, drop_pl=10.0), chance.randint(0, 2**31)
        dots = np.array([[chance.random() < 0.5 for _ in range(12)] for _ in range(8)])
        first = chance.randint(0, 3_000_000)
        found = plan(dots, first, head, seed)
        chosen = found.choices.nozzles[found.numbers]
        sets = [[[int(one) for one in dot if one != NO_NOZZLE] for dot in row] for row in chosen]
        said = {"nozzles": count, "passes": passes, "nozzle_seed": seed, "first_column": first}
        made.append(said | {"rows": ["".join("#" if dot else "." for dot in row) for row in dots], "sets": sets})
    return {
        "about": "`sets`: of each row and column of `rows`, the nozzles that set its dot, none for no dot",
        "plans": made,
    }


MADE: Mapping[str, Callable[[], dict[str, Any]]] = {
    "plates": plates,
    "bursts": bursts,
    "settlements": settlements,
    "strips": strips,
    "clock": clock,
    "nozzles": nozzles,
}
