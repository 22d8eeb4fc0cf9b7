"""Ten thousand random histories of outages, under random policies, with persons' words in between. What was decided is
done by a simulated machine, and the paper is held against the decisions."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from datetime import timedelta

import numpy as np
import pytest

from machines.protocol.journal_entries import GapSettled
from machines.recovery import (
    CauseRule,
    Decision,
    Gap,
    HalfPrinted,
    Limit,
    Override,
    Pace,
    Policy,
    Rule,
    RuleKind,
    Span,
    settle,
)
from machines.serialization import structure, unstructure
from tests.machines.recovery.simulation import START, Machine, World
from tests.machines.recovery.worlds import CAUSES

HISTORIES = 10_000
BATCHES = 20
KINDS: tuple[RuleKind, ...] = ("skip", "replay", "replay-within", "shift", "blank")
HALVES: tuple[HalfPrinted, ...] = ("as-the-rest", "finish", "abandon", "again")
COLUMN_S = 60.0


def draw_rule(rng: np.random.Generator) -> Rule:
    kind = KINDS[rng.integers(len(KINDS))]
    half_printed = HALVES[rng.integers(len(HALVES))]
    hours = Limit(value=float(rng.uniform(0.01, 2.0)), unit="hours")
    turns = Limit(value=float(rng.uniform(0.01, 2.0)), unit="turns")
    late = kind.startswith("replay") or (kind != "shift" and half_printed in ("finish", "again"))
    return Rule(
        kind=kind,
        within=(hours if rng.random() < 0.5 else turns) if kind == "replay-within" else None,
        half_printed=half_printed,
        only_while_closed=bool(late and rng.random() < 0.3),
    )


def draw_policy(rng: np.random.Generator) -> Policy:
    exceptions: tuple[CauseRule, ...] = ()
    if rng.random() < 0.3:
        share = tuple(CAUSES[i] for i in rng.choice(len(CAUSES), size=rng.integers(1, 4), replace=False))
        exceptions = (CauseRule(causes=share, rule=draw_rule(rng)),)
    return Policy(**vars(draw_rule(rng)), by_cause=exceptions)


def draw_closed(rng: np.random.Generator) -> tuple[Span, ...]:
    """Some hours now and then, for longer than any history takes; or none are known."""
    if rng.random() < 0.2:
        return ()
    edges = START + np.array([timedelta(hours=float(h)) for h in np.cumsum(rng.uniform(0.1, 6.0, size=24))])
    return tuple(Span(starts_at=a, ends_at=b) for a, b in zip(edges[::2], edges[1::2], strict=True))


def draw_world(rng: np.random.Generator, policy: Policy | None = None) -> World:
    turn = int(rng.integers(20, 120))
    return World(
        columns=int(rng.integers(40, 200)),
        segment=int(rng.integers(4, 50)),
        pace=Pace(
            nominal_columns_per_s=1.0 / COLUMN_S,
            highest_columns_per_s=float(rng.choice([0.8, 1.0, 1.2, 1.5, 2.0, 5.0, 40.0])) / COLUMN_S,
            columns_per_burst=int(rng.choice([1, 1, 3, 8, 16])),
            columns_per_turn=turn,
            mm_per_column=0.25,
            ml_per_dot=1e-6,
        ),
        policy=policy or draw_policy(rng),
        closed=draw_closed(rng),
    )


@dataclass
class Server:
    """The other side: it has the entry, its own policy and its own pace, and decides once more."""

    settlements: int = 0
    by_word: int = 0
    kinds: Counter[str] = field(default_factory=Counter)

    def settled(self, policy: Policy, gap: Gap, pace: Pace, decision: Decision) -> None:
        entry = GapSettled(
            seq=1, at=gap.noticed_at, run="run", gap=gap, policy=policy, decision=decision, paper_position=0
        )
        told = structure(unstructure(entry), GapSettled)
        ours = settle(structure(unstructure(policy), Policy), told.gap, pace)
        assert ours == told.decision == decision
        assert (ours.paper_mm, ours.ink_ml) == (decision.paper_mm, decision.ink_ml)
        assert told.decision.paper_mm == decision.paper_mm
        assert told.decision.ink_ml == decision.ink_ml
        assert not decision.again or gap.rule(policy).half_printed == "again"
        self.settlements += 1
        self.by_word += gap.override is not None
        self.kinds[decision.action] += 1


def live_through(rng: np.random.Generator, machine: Machine) -> None:
    """Outages and words at random, then on to the end."""
    for _ in range(rng.integers(1, 5)):
        machine.print_until(machine.now + rng.uniform(0.0, 60.0) * COLUMN_S)
        word = Override(id="word", rule=draw_rule(rng), given_at=START) if rng.random() < 0.3 else None
        if word is not None and machine.overrule(word):
            continue
        unseen = int(rng.integers(0, machine.world.pace.columns_per_burst + 1)) if rng.random() < 0.5 else 0
        away_s = float(rng.exponential(20.0)) * COLUMN_S
        machine.lose_power(unseen, away_s, CAUSES[rng.integers(len(CAUSES))], word)
    machine.print_until(float("inf"))


def check_account(machine: Machine) -> None:
    """Every planned column has one last word, and the paper bears it out."""
    assert machine.outcome.keys() == set(range(machine.world.columns)), "printed or named, every one"
    copies = Counter(column for column, _, _ in machine.laid)
    for column, outcome in machine.outcome.items():
        times, asked = copies[column], machine.asked_again[column]
        assert times <= 1 + asked, "nothing is laid twice unasked"
        if outcome == "printed":
            assert times >= 1
        elif not asked:
            assert times == 0, outcome
    places = [place for _, place, _ in machine.laid]
    assert places == sorted(set(places)), "the paper feeds one way"
    if not machine.asked_again:
        columns = [column for column, _, _ in machine.laid]
        assert columns == sorted(columns), "the paper is one line in the order of time"


def check_return(machine: Machine) -> None:
    """The last replay comes true when it was said, to within the bursts that the arithmetic knows nothing of."""
    pace, last = machine.world.pace, machine.decisions[-1]
    if not last.late or last.true_again > machine.world.columns or machine.late:
        return
    column, at = machine.true_again[-1]
    gained = pace.ratio / (pace.ratio - 1.0)
    turns_of_pace = len(machine.world.closed) + 2 if machine.slow_while_open else 2
    slack = turns_of_pace * pace.columns_per_burst * gained + 2
    assert abs(column - last.true_again) <= slack
    assert abs(at - machine.settled_at[-1] - last.hours_until_true * 3600.0) <= slack * COLUMN_S


def check_instants(machine: Machine) -> None:
    """Nothing is laid before its instant, and what is not late by decision at it."""
    for _, _, miss_s in machine.laid:
        assert miss_s >= -1e-6
    if not any(decision.late for decision in machine.decisions):
        assert all(miss_s <= 1e-6 for _, _, miss_s in machine.laid)


@pytest.mark.parametrize("batch", range(BATCHES))
def test_every_column_is_printed_or_named_and_both_sides_decide_alike(batch: int) -> None:
    rng, server = np.random.default_rng(batch), Server()
    for _ in range(HISTORIES // BATCHES):
        machine = Machine(world=draw_world(rng), settled=server.settled)
        live_through(rng, machine)
        check_account(machine)
        check_instants(machine)
        if machine.decisions:
            check_return(machine)
    assert server.settlements > HISTORIES // BATCHES
    assert server.by_word > HISTORIES // BATCHES // 10
    assert set(server.kinds) == {"skip", "replay", "shift", "blank"}, server.kinds


def test_blank_paper_keeps_length_true_to_time() -> None:
    rng = np.random.default_rng(11)
    for _ in range(300):
        half_printed = HALVES[rng.choice([0, 1, 2])]
        world = draw_world(rng, Policy(kind="blank", half_printed=half_printed))
        machine = Machine(world=world, settled=Server().settled)
        for _ in range(3):
            machine.print_until(machine.now + rng.uniform(0.0, 60.0) * COLUMN_S)
            machine.lose_power(int(rng.integers(0, 3)), float(rng.exponential(20.0)) * COLUMN_S, "power", None)
        machine.print_until(float("inf"))
        assert all(place == column for column, place, _ in machine.laid)
        assert machine.place == world.columns


def test_a_timeline_that_waits_leaves_nothing_out_and_prints_nothing_late() -> None:
    rng = np.random.default_rng(12)
    for _ in range(300):
        machine = Machine(world=draw_world(rng, Policy(kind="shift")), settled=Server().settled)
        for _ in range(3):
            machine.print_until(machine.now + rng.uniform(0.0, 60.0) * COLUMN_S)
            machine.lose_power(int(rng.integers(0, 3)), float(rng.exponential(20.0)) * COLUMN_S, "power", None)
        machine.print_until(float("inf"))
        assert set(machine.outcome.values()) <= {"printed", "unknown"}
        assert max(miss_s for _, _, miss_s in machine.laid) <= 1e-6
        assert machine.shift_s == pytest.approx(sum(decision.shift_s for decision in machine.decisions))
