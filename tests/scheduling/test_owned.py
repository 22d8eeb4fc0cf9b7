"""A machine tells of its own runs only: at the door, and again in every view, so that an old log folds safely."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from django.db.models import Q

from machines.errors import InputError
from machines.protocol.journal_entries import Entry, FeedCorrected, GapSettled, SlipMeasured, StripCut, TrueAgain
from machines.protocol.messages import pace
from machines.recovery import Decision, Gap, Override, Policy, Rule, settle
from scheduling.commands import handlers
from scheduling.commands.enrol_node import enrol
from scheduling.log.events.reports import SettlementDiffered
from scheduling.log.events.server import OutageOverridden
from scheduling.log.models import Machine, Notice, Outage, PrintedStretch, Run, Segment, Strip
from scheduling.log.models import Override as Word
from scheduling.log.moment import AsOf
from scheduling.log.projecting.as_of import run_at
from scheduling.log.projecting.folding import folded
from scheduling.log.projections import VIEWS
from scheduling.log.rebuilding.rebuild import rebuild
from scheduling.log.store import Append, append, read
from scheduling.nodes.reports import take
from scheduling.queries.runs import run_work
from tests.scheduling.house import NOON, batch, by, long_after, order, printed, ready, small_profile, started

pytestmark = pytest.mark.django_db

TABLES = (Run, Segment, Strip, Outage, Word)


def another_machine() -> None:
    order(handlers.AddMachine, id="other", name="Other", venue="shed", profile="small")
    enrol("other", by())


def entries() -> list[Entry]:
    """Each kind that tells of a run, of the run ``first``."""
    run, segment = Run.objects.get(id="first"), Segment.objects.order_by("number")[1]
    at, first = NOON + timedelta(hours=4), segment.first_column
    gap = Gap(first=first, unknown_end=first + 1, end=first + 9, cause="power", noticed_at=at)
    word = Override(id="one-9", rule=Rule(kind="skip"), given_at=NOON)
    decision = settle(Policy(kind="skip"), gap, pace(small_profile(), run_work(run)))
    said: dict[str, Any] = {"at": at, "run": "first"}
    told = [
        printed(1, segment.number, first, first + 3, 3),
        _settled(2, replace(gap, override=word), decision),
        TrueAgain(seq=3, column=first, **said),
        StripCut(seq=4, boundary=first, paper_position=0, made=True, **said),
        SlipMeasured(seq=5, column=first, slip_mm=1.0, slip_s=1.0, slip_degrees=1.0, **said),
        FeedCorrected(seq=6, column=first, corrected_mm=1.0, slip_mm=0.0, **said),
    ]
    assert {entry.kind for entry in told} == {
        name for view in VIEWS for cls in view.folds if "run" in cls.__annotations__ and (name := _kind(cls))
    }
    return told


def _kind(cls: type) -> str:
    return str(getattr(cls, "kind", ""))


def _settled(seq: int, gap: Gap, decision: Decision) -> Any:
    policy = Policy(kind="skip")
    return GapSettled(
        seq=seq, at=gap.noticed_at, run="first", gap=gap, policy=policy, decision=decision, paper_position=0
    )


def everything() -> list[list[dict[str, Any]]]:
    return [list(table.objects.order_by("pk").values()) for table in TABLES]


@pytest.mark.parametrize("index", range(6))
def test_an_entry_about_another_machines_run_is_refused_by_name(tmp_path: Path, index: int) -> None:
    ready(tmp_path)
    another_machine()
    before = everything()
    entry = replace(entries()[index], seq=2)
    with pytest.raises(InputError, match=r"entries\[1\]\.run: 'first' is no run of this machine; tell only of runs"):
        take("other", batch(started(), entry), long_after())
    assert Machine.objects.get(id="other").accepted_through == 0
    assert everything() == before


def test_the_machine_itself_tells_all_of_it(tmp_path: Path) -> None:
    ready(tmp_path)
    assert take("one", batch(*entries()), long_after()) == 6


def test_an_old_log_with_anothers_word_folds_as_if_it_had_not_been_said(tmp_path: Path) -> None:
    """As a log that was written before the door looked."""
    ready(tmp_path)
    another_machine()
    word = Override(id="one-9", rule=Rule(kind="skip"), given_at=NOON)
    append([Append("machine/one", None, [OutageOverridden(run="first", override=word, because="silence")])], by())
    before = everything()
    told = entries()
    ours = told[1].decision  # type: ignore[union-attr]
    append([Append("machine/other", None, [*told, SettlementDiffered(run="first", seq=2, ours=ours)])], long_after())
    assert everything() == before
    assert not PrintedStretch.objects.exists()
    assert not Notice.objects.exists()
    assert Machine.objects.get(id="other").accepted_through == 6
    assert all(result.equal for result in rebuild(swap=False))
    then = run_at("first", AsOf(known_by=NOON + timedelta(days=30)))
    assert then is not None and (then.run.printed, then.stretches, then.outages) == (0, (), ())
    assert not folded((PrintedStretch,), Q(), using="default").all(PrintedStretch)


def test_what_was_told_of_a_run_that_nobody_knew_never_becomes_anothers(tmp_path: Path) -> None:
    """A board claims an id; then the studio gives it to a run of another machine."""
    ready(tmp_path)
    another_machine()
    claimed = [replace(entry, run="second") for entry in entries()]  # type: ignore[call-arg]
    assert take("other", batch(*claimed), long_after()) == 6
    (planned,) = (fact.event for fact in read(streams=["run/first"], kinds=["run-planned"]))
    append([Append("run/second", 0, [planned])], long_after())
    run = Run.objects.get(id="second")
    assert (run.machine_id, run.printed, run.ahead) == ("one", 0, [])
    for table in (PrintedStretch, Outage, Strip):
        assert not table.objects.filter(run_id="second").exists()
    assert PrintedStretch.objects.get().machine_id == "other", "it lies on that machine's paper all the same"
    assert all(result.equal for result in rebuild(swap=False))


def test_what_was_told_of_a_run_before_it_was_planned_is_kept_where_it_is_the_machines_own(tmp_path: Path) -> None:
    ready(tmp_path)
    claimed = [replace(entry, run="second") for entry in entries()]  # type: ignore[call-arg]
    take("one", batch(*claimed), long_after())
    (planned,) = (fact.event for fact in read(streams=["run/first"], kinds=["run-planned"]))
    append([Append("run/second", 0, [planned])], long_after())
    assert PrintedStretch.objects.get().run_id == Outage.objects.get().run_id == "second"
    assert all(result.equal for result in rebuild(swap=False))
