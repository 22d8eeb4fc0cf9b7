"""What lies on the paper at an instant, column for column, against a ledger in which every burst is laid by itself."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from machines.clock import utc
from machines.model.slots import boundaries
from machines.protocol.journal_entries import StripCut
from machines.serialization import structure
from scheduling.answers.paper_at import PaperAt, paper_at
from scheduling.answers.paper_at_told import paper_at_told
from scheduling.log.models import Heartbeat, Machine, PrintedStretch, Run, Segment
from scheduling.nodes.reports import take
from scheduling.paper.strip_now import Laid
from scheduling.planning.opening_hours import Hours, OpenSpan, Week
from scheduling.queries.machine_context import machine_context
from scheduling.queries.runs import run_instants
from scheduling.venues.run_recesses import recess_of
from tests.scheduling.house import NOON, batch, by, furnish, long_after, plan, printed, ready, run_timeline, set_hours

pytestmark = pytest.mark.django_db
MAP = {"kind": "map", "data": "land-110m"}
PER_TURN, PER_BURST, TO_KNIFE, PER_STRIP = 240, 4, 20, 20
HOUR = timedelta(hours=1)


@dataclass
class Ledger:
    """What a machine would lay: a column after the other, each at an instant."""

    columns: list[tuple[str, int]] = field(default_factory=list)
    at: list[float] = field(default_factory=list)
    spans: dict[str, tuple[int, int]] = field(default_factory=dict)

    def lay(self, run: Run, late_s: float = 0.0) -> None:
        """Every burst of a run at its own instant, later by so much."""
        for first, end, due in bursts(run):
            self.burst(run, first, end, due + late_s)

    def burst(self, run: Run, first: int, end: int, at: float) -> None:
        self.spans[run.id] = (run.first_column, run.end_column)
        self.columns += [(run.id, column) for column in range(first, end)]
        self.at += [at] * (end - first)

    def hangs(self, at: datetime) -> list[tuple[str, int]]:
        """Between knife and head at an instant."""
        laid = self.columns[: int(np.searchsorted(self.at, at.timestamp(), side="right"))]
        return laid[-TO_KNIFE:]

    def cut(self, at: datetime) -> list[tuple[str, int]]:
        """Which boundaries have come to the knife by an instant, in their own run."""
        laid = int(np.searchsorted(self.at, at.timestamp(), side="right"))
        return [
            (run, column)
            for place, (run, column) in enumerate(self.columns)
            if column % PER_STRIP == 0 and self.spans[run][0] < column <= self.spans[run][1] - TO_KNIFE
            if place + TO_KNIFE <= laid
        ]


def bursts(run: Run) -> Iterator[tuple[int, int, float]]:
    """From which column to which they reach, and when each is due."""
    starts = range(run.first_column - run.first_column % PER_BURST, run.end_column, PER_BURST)
    firsts = [max(start, run.first_column) for start in starts]
    due = run_instants(run, firsts, run_timeline(run)).tolist()
    yield from zip(firsts, [min(start + PER_BURST, run.end_column) for start in starts], due, strict=True)


def at_hours(hours: float, now: datetime = NOON) -> PaperAt:
    return paper_at(machine_context(Machine.objects.get(), now), NOON + hours * HOUR)


def told(found: PaperAt) -> list[tuple[str, int]]:
    return columns_of(found.hangs)


def columns_of(laid: tuple[Laid, ...]) -> list[tuple[str, int]]:
    return [(one.run, column) for one in laid for column in range(one.first, one.end)]


def some_hours(until: float, number: int = 25) -> list[float]:
    return [float(one) for one in np.random.default_rng(17).uniform(0.0, until, number)]


def report(run: Run, ledger: Ledger, hours: float, worst_s: float = 0.0, first_seq: int = 1) -> None:
    """Tell all that lies in the ledger by then, a segment at a time, with the cuts."""
    entries: list[Any] = []
    upto = int(np.searchsorted(ledger.at, (NOON + hours * HOUR).timestamp(), side="right"))
    laid, at = [column for _, column in ledger.columns[:upto]], ledger.at[:upto]
    for segment in Segment.objects.filter(run_id=run.id).order_by("number"):
        mine = [place for place, column in enumerate(laid) if segment.first_column <= column < segment.end_column]
        for first, end in _side_by_side([laid[place] for place in mine]):
            place, last = laid.index(first), laid.index(end - 1)
            entry = printed(0, segment.number, first, end, end - first, place)
            entries.append(replace(entry, at=utc(at[last]), worst_miss_s=worst_s))
    for boundary in boundaries(run.first_column, run.end_column, PER_TURN, 12):
        if boundary in laid and (head := laid.index(boundary) + TO_KNIFE) <= upto:
            cut = {"seq": 0, "at": utc(at[head - 1]).isoformat(), "run": run.id, "boundary": boundary}
            cut |= {"paper_position": head - TO_KNIFE, "made": True, "kind": "strip-cut"}
            entries.append(structure(cut, StripCut))
    numbered = [replace(one, seq=seq) for seq, one in enumerate(sorted(entries, key=lambda one: one.at), first_seq)]
    take("one", batch(*numbered), long_after())


def _side_by_side(columns: list[int]) -> Iterator[tuple[int, int]]:
    for part in np.split(np.array(columns), np.flatnonzero(np.diff(columns) != 1) + 1):
        if len(part):
            yield int(part[0]), int(part[-1]) + 1


def test_what_is_to_come_is_told_column_for_column() -> None:
    furnish(MAP)
    plan(ends_at=(NOON + 50 * HOUR).isoformat())
    plan(id="second", starts_at=(NOON + 60 * HOUR).isoformat(), ends_at=(NOON + 100 * HOUR).isoformat())
    ledger = Ledger()
    for run in Run.objects.order_by("starts_at"):
        ledger.lay(run)
    for hours in some_hours(110.0):
        found = at_hours(hours)
        assert told(found) == ledger.hangs(found.at), hours
        cut = ledger.cut(found.at)
        assert found.cut == len(cut), hours
        assert [(one.on.run.id, one.end) for one in found.strips] == cut[-12:]
        assert (found.due is None) is (hours < 0.0 or 50.0 <= hours < 60.0 or hours >= 100.0)
        assert found.source == "planned" and found.late_columns == 0


def test_what_was_reported_is_told_column_for_column(tmp_path: Path) -> None:
    ready(tmp_path)
    run, ledger = Run.objects.get(), Ledger()
    ledger.lay(run, 0.05)
    report(run, ledger, 20.0, 0.1)
    for hours in some_hours(19.0):
        found = at_hours(hours, NOON + 20 * HOUR)
        assert found.source == "reported"
        assert told(found) == ledger.hangs(found.at), hours
        cut = ledger.cut(found.at)
        assert [one.end for one in found.strips] == [column for _, column in cut[-12:]]
        assert found.cut == len(cut) and all(one.is_reported for one in found.strips)
        past = columns_of(found.past_knife)
        begins = cut[-1][1] if cut else run.first_column
        assert [column for _, column in past] == list(range(begins, found.hangs[0].first if found.hangs else begins))


def test_an_answer_given_a_day_before_and_what_then_hung_there_agree(tmp_path: Path) -> None:
    ready(tmp_path)
    run, ledger = Run.objects.get(), Ledger()
    before = {hours: at_hours(hours) for hours in some_hours(25.0)}
    ledger.lay(run)
    report(run, ledger, 30.0)
    for hours, then in before.items():
        now = at_hours(hours, NOON + 40 * HOUR)
        assert (then.source, now.source) == ("planned", "reported")
        assert (then.head, then.hangs, then.past_knife, then.cut) == (now.head, now.hangs, now.past_knife, now.cut)
        assert [(one.first, one.end) for one in then.strips] == [(one.first, one.end) for one in now.strips]
        assert all(one.at[0] <= two.at[0] <= one.at[1] for one, two in zip(then.strips, now.strips, strict=True))


def test_columns_that_were_laid_late_are_told_as_well_as_they_are_known(tmp_path: Path) -> None:
    """The machine stood until three hours after noon, and caught up at its highest speed, 20 mm an hour: 40 columns."""
    ready(tmp_path, policy={"kind": "replay"})
    run, ledger = Run.objects.get(), Ledger()
    began, burst_s, late = (NOON + 3 * HOUR).timestamp(), PER_BURST / (40 / 3600), []
    free = began
    for first, end, due in bursts(run):
        laid = max(due, free)
        free = laid + burst_s
        late.append(laid - due)
        ledger.burst(run, first, end, laid)
    report(run, ledger, 20.0, worst_s=max(late))
    seen = False
    for hours in some_hours(19.0, 40):
        found = at_hours(hours, NOON + 20 * HOUR)
        there, reckoned = ledger.hangs(found.at), told(found)
        wrong = abs(_newest(there, run) - _newest(reckoned, run))
        assert wrong <= found.unsure_columns
        seen = seen or found.late_columns > 0
    assert seen


def _newest(laid: list[tuple[str, int]], run: Run) -> int:
    return laid[-1][1] if laid else int(run.first_column) - 1


def test_a_machine_that_is_late_catches_up_at_its_highest_speed(tmp_path: Path) -> None:
    ready(tmp_path, policy={"kind": "replay"})
    run, now = Run.objects.get(), NOON + 6 * HOUR
    status = {"at": now.isoformat(), "next_column": run.first_column, "paper_position": 0, "clock_error_s": 0.01}
    Heartbeat.objects.create(machine_id="one", heard_at=now, status=status | {"knife_armed": False, "held_until": None})
    # By seven it could lay ten bursts more than the first, of the 70 columns that are due by then; and so on.
    assert at_hours(7.0, now).head == 44
    assert at_hours(7.0, now).late_columns == pytest.approx(26, abs=PER_BURST)
    assert at_hours(9.0, now).late_columns == 0
    assert at_hours(9.0, now).newest == at_hours(9.0, now).due


@pytest.mark.parametrize("policy", [{"kind": "skip"}, {"kind": "replay"}])
def test_nothing_is_laid_while_the_run_rests(policy: dict[str, Any]) -> None:
    """Open from eight to twenty every day; what comes due in the night is left out, or laid from eight on, 40 columns
    an hour."""
    furnish(MAP)
    day = (OpenSpan(opens="08:00", closes="20:00"),)
    names = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
    set_hours("shed", Hours(week=Week(**dict.fromkeys(names, day))), by())
    plan(ends_at=(NOON + 80 * HOUR).isoformat(), only_while_open=True, policy=policy)
    run, ledger = Run.objects.get(), Ledger()
    venue, free = machine_context(Machine.objects.get(), NOON).venue, 0.0
    for first, end, due in bursts(run):
        recess = recess_of(run, venue, utc(due))
        laid = max(due, free)
        if recess is not None:
            if policy["kind"] == "skip":
                continue
            assert recess.ends_at is not None
            laid = max(recess.ends_at.timestamp(), free)
        free = laid + PER_BURST / (40 / 3600) if policy["kind"] == "replay" else 0.0
        ledger.burst(run, first, end, laid)
    for hours in some_hours(79.0, 40):
        found = at_hours(hours)
        assert told(found) == ledger.hangs(found.at), hours
        assert (found.recess is not None) is (recess_of(run, venue, found.at) is not None)


def test_without_a_knife_the_last_turn_is_told_and_nothing_is_cut() -> None:
    furnish(MAP, knife=None)
    plan(ends_at=(NOON + 50 * HOUR).isoformat(), strips_per_turn=0)
    found = at_hours(40.0)
    assert found.cut is None and found.strips == () and found.past_knife == ()
    assert sum(one.end - one.first for one in found.hangs) == PER_TURN


def test_what_many_reports_told_is_one_where_it_lies_side_by_side(tmp_path: Path) -> None:
    ready(tmp_path)
    run, ledger = Run.objects.get(), Ledger()
    ledger.lay(run)
    upto = int(np.searchsorted(ledger.at, (NOON + 20 * HOUR).timestamp(), side="right"))
    run_columns = [column for _, column in ledger.columns[:upto]]
    segments = list(Segment.objects.filter(run_id=run.id))
    entries = []
    for place, column in enumerate(run_columns):
        segment = next(one for one in segments if one.first_column <= column < one.end_column)
        entry = printed(place + 1, segment.number, column, column + 1, column + 1 - segment.first_column, place)
        entries.append(replace(entry, at=utc(ledger.at[place])))
    take("one", batch(*entries), long_after())
    assert PrintedStretch.objects.count() > 100
    for hours in (10.0, 19.0, 21.0):
        found = at_hours(hours, NOON + 20 * HOUR)
        assert len(found.laid) == 1 and found.laid[0].end_place == found.head
        assert told(found) == ledger.hangs(found.at)


def test_of_a_machine_that_is_new_the_whole_way_to_the_knife_is_blank() -> None:
    """Its paper is threaded to the knife, 10 mm from the head."""
    furnish(MAP)
    assert paper_at_told(at_hours(5.0), []).blank_mm == 10.0
    plan()
    told = paper_at_told(at_hours(1.0), [])
    assert 0.0 < told.blank_mm == 10.0 - sum(one.columns.length_mm for one in told.hangs) < 10.0


def test_before_anything_is_planned_nothing_lies_there() -> None:
    furnish(MAP)
    found = at_hours(5.0)
    assert (found.newest, found.due, found.hangs, found.cut, found.head) == (None, None, (), 0, 0)
