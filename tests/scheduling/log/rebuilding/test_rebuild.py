"""The views can be folded again to exactly the same rows, whatever happened."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from typing import Any

import pytest
from django.db import connections, transaction
from hypothesis import HealthCheck, given, settings

from machines.protocol.journal_entries import ColumnsPrinted, GapSettled
from scheduling.log import models
from scheduling.log.events.plans import SegmentsPlanned
from scheduling.log.moment import AsOf
from scheduling.log.projecting.as_of import run_at
from scheduling.log.projecting.projector import ViewsSetAside
from scheduling.log.projections import VIEWS
from scheduling.log.rebuilding import folding
from scheduling.log.rebuilding.rebuild import rebuild
from scheduling.log.rebuilding.shadow_tables import Difference
from scheduling.log.rows.row_cache import Rows
from scheduling.log.store import append, last_position, read
from tests.scheduling.log.facts import (
    ONE_OF_EACH,
    a_run_on_a_machine,
    acted,
    by,
    cut,
    gap_settled,
    printed,
    say,
    segments,
)
from tests.scheduling.log.histories import HISTORIES, History

# Each example is told within a transaction of its own; the two engines are two classes.
SUPPRESSED = (HealthCheck.function_scoped_fixture, HealthCheck.differing_executors)
SURENESS = ("due", "skipped", "unknown", "printed")


@contextmanager
def told(history: History, using: str) -> Iterator[None]:
    """A database in which the history was told, and which is as before afterwards."""
    with transaction.atomic(using=using):
        for appends in history.appends():
            append(appends, by(), using=using)
        yield
        transaction.set_rollback(True, using=using)


def outcomes(run: str, using: str) -> dict[int, str]:
    """What became of each column of a run, told column by column from the events."""
    columns: dict[int, str] = {}
    for fact in read(run=run, using=using):
        ranges = []
        if isinstance(fact.event, ColumnsPrinted):
            ranges = [(fact.event.columns, "printed")]
        elif isinstance(fact.event, GapSettled):
            decision = fact.event.decision
            for late in (decision.again, decision.finished, decision.replayed, decision.shifted):
                for column in range(late.first, late.end):  # what an earlier gap left out is due after all
                    if columns.get(column) == "skipped":
                        del columns[column]
            ranges = [(decision.unknown, "unknown"), (decision.skipped, "skipped")]
        for span, outcome in ranges:
            for column in range(span.first, span.end):
                columns[column] = max(columns.get(column, "due"), outcome, key=SURENESS.index)
    return columns


def require_again_and_shifts(run: models.Run, using: str) -> None:
    """Only what lies on the paper, or may, is printed once more; segments are as late as the timeline has waited."""
    asked = 0
    for row in models.Segment.objects.using(using).filter(run_id=run.id):
        asked += sum(end - first for first, end in row.again)
        perhaps = [(first, end) for first, end, outcome in row.outcomes if outcome != "skipped"]
        for first, end in row.again:
            assert all(any(a <= column < b for a, b in perhaps) for column in range(first, end))
        waited_s = sum(shift_s for column, shift_s in run.shifts if column < row.end_column)
        waited = row.ends_at - datetime.fromisoformat(row.knots[-1])
        assert waited.total_seconds() == pytest.approx(waited_s, abs=1e-5)
    assert run.again == asked
    assert run.shift_s == sum(shift_s for _, shift_s in run.shifts)


def require_every_column_counted_once(run: models.Run, using: str) -> None:
    columns, planned = outcomes(run.id, using), 0
    for row in models.Segment.objects.using(using).filter(run_id=run.id):
        mine = [columns.get(column, "due") for column in range(row.first_column, row.end_column)]
        counts = (row.printed, row.skipped, row.unknown)
        assert counts == (mine.count("printed"), mine.count("skipped"), mine.count("unknown"))
        assert (row.finished_at is not None) == ("due" not in mine)
        planned += sum(counts)
    ahead = sum(end - first for first, end, _ in run.ahead)
    assert run.printed + run.skipped + run.unknown == planned
    assert planned + ahead == len(columns)


def require_dots_and_paper_counted(run: models.Run, using: str) -> None:
    """What a run's row counts is what its rows come to, and a stretch has the dots of the segment that it is."""
    drawn = [row for row in models.Segment.objects.using(using).filter(run_id=run.id) if row.dots is not None]
    laid = list(models.PrintedStretch.objects.using(using).filter(run_id=run.id))
    assert run.drawn_columns == sum(row.end_column - row.first_column for row in drawn)
    assert run.drawn_dots == sum(row.dots for row in drawn)
    assert run.laid_dots == sum(row.dots for row in laid if row.dots is not None)
    places = [(row.paper_position, row.paper_position + row.end_column - row.first_column) for row in laid]
    assert run.paper_from == min((first for first, _ in places), default=None)
    assert run.paper_to == max((end for _, end in places), default=None)
    planned = models.Segment.objects.using(using).filter(run_id=run.id).in_bulk()
    for row in laid:
        whole = planned.get((run.id, row.segment))
        if row.dots is not None:
            assert whole is not None
            assert (row.first_column, row.end_column) == (whole.first_column, whole.end_column)


class RebuildContract:
    using: str

    @settings(suppress_health_check=SUPPRESSED, deadline=None, max_examples=30)
    @given(history=HISTORIES)
    def test_live_views_equal_views_folded_again_and_count_every_column_once(self, history: History) -> None:
        with told(history, self.using):
            assert [result for result in rebuild(swap=False, using=self.using) if not result.equal] == []
            for run in models.Run.objects.using(self.using).all():
                require_every_column_counted_once(run, self.using)
                require_again_and_shifts(run, self.using)
                require_dots_and_paper_counted(run, self.using)

    def test_a_view_that_was_tampered_with_is_found_and_put_right(self) -> None:
        for stream, event in ONE_OF_EACH:
            say(stream, event, using=self.using)
        manager = models.Segment.objects.using(self.using)
        before = list(manager.order_by("number").values())
        manager.filter(number=0).update(printed=49)
        manager.filter(number=1).delete()
        models.Notice.objects.using(self.using).create(
            id="x", machine_id="m", kind="k", said="s", raised_at=by().said_at
        )
        found = {result.view: result for result in rebuild(swap=False, using=self.using)}
        assert [name for name, result in found.items() if not result.equal] == ["runs", "notices"]
        assert found["runs"].differences == (Difference("log_segment", 2, (("spring", 0), ("spring", 1))),)
        assert found["notices"].differences == (Difference("log_notice", 1, (("x",),)),)
        assert manager.get(number=0).printed == 49
        assert not all(result.equal for result in rebuild(using=self.using))
        assert list(manager.order_by("number").values()) == before
        assert all(result.equal for result in rebuild(using=self.using))

    def test_dropped_views_come_back(self) -> None:
        for stream, event in ONE_OF_EACH:
            say(stream, event, using=self.using)
        say("machine/left", acted(12, "feed", paper_position=60, paper_columns=5), using=self.using)
        say("machine/left", cut(14, 0, run="autumn"), using=self.using)
        tables = [table for view in VIEWS for table in view.tables]
        before = {table: list(table._default_manager.using(self.using).order_by("pk").values()) for table in tables}
        assert all(before.values())
        for table in tables:
            table._default_manager.using(self.using).all().delete()
        rebuild(using=self.using)
        assert {
            table: list(table._default_manager.using(self.using).order_by("pk").values()) for table in tables
        } == before

    def test_only_the_views_that_were_asked_for(self) -> None:
        say("machine/left", printed(1, 0, 10), using=self.using)
        models.PrintedStretch.objects.using(self.using).all().delete()
        (machines,) = rebuild(views=[view for view in VIEWS if view.name == "machines"], using=self.using)
        assert (machines.view, machines.equal) == ("machines", True)
        assert not models.PrintedStretch.objects.using(self.using).exists()

    def test_rows_that_were_let_go_of_are_looked_up_again(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(folding, "BATCH", 3)
        monkeypatch.setattr(folding, "MOST_ROWS", 0)
        for stream, event in ONE_OF_EACH:
            say(stream, event, using=self.using)
        told: dict[str, list[tuple[int, int]]] = {}
        results = rebuild(using=self.using, progress=lambda doing, *far: told.setdefault(doing, []).append(far))
        assert all(result.equal for result in results)
        tables = sum(len(view.tables) for view in VIEWS)
        assert list(told) == ["events folded", "tables compared"]
        for far, whole in zip(told.values(), (len(ONE_OF_EACH), tables), strict=True):
            assert far == sorted(far)
            assert far[-1] == (whole, whole)

    def test_the_twins_are_gone_afterwards(self) -> None:
        say("machine/left", printed(1, 0, 10), using=self.using)
        rebuild(using=self.using)
        models.PrintedStretch.objects.using(self.using).all().delete()
        catalogue = (
            "SELECT count(*) FROM sqlite_temp_master"
            if connections[self.using].vendor == "sqlite"
            else "SELECT count(*) FROM pg_class WHERE relpersistence = 't'"
        )
        with connections[self.using].cursor() as cursor:
            cursor.execute(catalogue)
            assert cursor.fetchone() == (0,)


class GoingOnContract:
    using: str

    def test_the_server_goes_on_meanwhile(self, monkeypatch: pytest.MonkeyPatch) -> None:
        """A node reports all the while that the views are folded again; neither hinders nor misses the other."""
        monkeypatch.setattr(folding, "BATCH", 20)
        a_run_on_a_machine(0, 1, 2, 3, using=self.using)
        say("machine/left", *[printed(seq, 0, 1) for seq in range(1, 101)], using=self.using)
        models.Segment.objects.using(self.using).filter(number=1).delete()
        begun, failures, reported = threading.Event(), list[BaseException](), 0

        def report() -> None:
            nonlocal reported
            try:
                for seq in range(101, 161):
                    say("machine/left", printed(seq, seq - 1, seq), using=self.using)
                    reported += 1
                    begun.set()
            except BaseException as error:  # noqa: BLE001 (a thread's failure must fail the test)
                failures.append(error)
            finally:
                begun.set()
                connections.close_all()

        node = threading.Thread(target=report)
        node.start()
        begun.wait()
        results = {result.view: result for result in rebuild(using=self.using)}
        during = reported
        node.join()
        assert not failures
        assert during > 0
        assert results["runs"].differences == (Difference("log_segment", 1, (("spring", 1),)),)
        assert all(result.equal for result in rebuild(using=self.using))
        assert models.Run.objects.using(self.using).get().printed == 61
        assert last_position(using=self.using) == 7 + 160
        assert not models.BrokenView.objects.using(self.using).exists()


@pytest.mark.django_db(transaction=True)
class TestGoingOnOnSQLite(GoingOnContract):
    using = "default"


@pytest.mark.postgres
@pytest.mark.django_db(databases=["postgres"], transaction=True)
class TestGoingOnOnPostgreSQL(GoingOnContract):
    using = "postgres"


@pytest.mark.django_db
class TestOnSQLite(RebuildContract):
    using = "default"


@pytest.mark.postgres
@pytest.mark.django_db(databases=["postgres"])
class TestOnPostgreSQL(RebuildContract):
    using = "postgres"


def fails(rows: Rows, fact: Any, event: Any) -> None:
    """A mistake in a fold, after it has changed a row and looked for others, which writes that row."""
    run = rows.change(models.Run, "spring")
    if run is not None:
        run.printed += 1000
        rows.change_where(models.Segment, run_id="spring")
    raise ZeroDivisionError("no such column")


@pytest.mark.django_db
def test_a_view_whose_fold_fails_is_set_aside_and_the_others_go_on(
    monkeypatch: pytest.MonkeyPatch, caplog: Any
) -> None:
    a_run_on_a_machine()
    (runs,) = [view for view in VIEWS if view.name == "runs"]
    with monkeypatch.context() as patch:
        patch.setitem(runs.folds, SegmentsPlanned, fails)  # type: ignore[arg-type]
        (fact,) = say("run/spring", segments(0, 1))
        say("machine/left", printed(1, 0, 30))
        assert models.Machine.objects.get(id="left").accepted_through == 1
        broken = models.BrokenView.objects.get()
        assert (broken.view, broken.position) == ("runs", fact.position)
        assert "failed on event 7 (run/spring version 2, segments-planned): ZeroDivisionError" in broken.problem
        assert "A view is set aside" in caplog.text
        results = {result.view: result for result in rebuild()}
        assert "event 7" in (results["runs"].failure or "")
        assert results["machines"].equal
        assert models.Run.objects.get().printed == 0  # its tables are left as they were
        assert models.BrokenView.objects.get().position == 7
        with pytest.raises(ViewsSetAside, match="set aside: runs; nothing that needs them is written until"):
            say("run/spring", segments(2))
        assert last_position() == 8
    assert not {result.view: result for result in rebuild()}["runs"].equal
    assert not models.BrokenView.objects.exists()
    assert models.Run.objects.get().printed == 30
    say("run/spring", segments(2))
    say("machine/left", printed(2, 30, 50))
    assert models.Run.objects.get().printed == 50


class PassingOverContract:
    using: str

    @pytest.fixture(autouse=True)
    def mistaken(self, monkeypatch: pytest.MonkeyPatch) -> None:
        """The view of runs and the one of machines cannot take a gap."""
        for view in VIEWS:
            if view.name in ("runs", "machines"):
                monkeypatch.setitem(view.folds, GapSettled, fails)  # type: ignore[arg-type]

    def test_a_view_goes_on_without_an_entry_that_it_cannot_take(self, caplog: Any) -> None:
        a_run_on_a_machine(0, 1, using=self.using)
        say("machine/left", printed(1, 0, 30), gap_settled(2, 30, 34, 60), printed(3, 60, 70), using=self.using)
        say("machine/left", printed(4, 70, 80), using=self.using)
        assert not models.BrokenView.objects.using(self.using).exists()
        run = models.Run.objects.using(self.using).get()
        assert (run.printed, run.unknown, run.skipped) == (50, 0, 0)
        assert models.Machine.objects.using(self.using).get().accepted_through == 4
        assert models.Outage.objects.using(self.using).count() == 1, "the other views take it"
        self.require_said(caplog.text)
        before = list(models.PassedOverEntry.objects.using(self.using).order_by("view").values())
        assert [(one["view"], one["position"]) for one in before] == [("machines", 9), ("runs", 9)]
        results = rebuild(using=self.using)
        assert all(result.equal for result in results)
        assert [result.view for result in results if result.entries_passed_over] == ["machines", "runs"]
        assert list(models.PassedOverEntry.objects.using(self.using).order_by("view").values()) == before
        then = run_at("spring", AsOf(), using=self.using)
        assert then is not None and (then.run.printed, then.run.unknown) == (50, 0)

    def require_said(self, log: str) -> None:
        notices = models.Notice.objects.using(self.using).filter(kind="entry-passed-over", cleared_at=None)
        assert notices.count() == 1, "one stands for all"
        assert "ZeroDivisionError: no such column" in notices.get().said
        assert "The view 'runs' goes on without event 9" in log

    def test_when_the_fold_is_mended_the_entry_counts(self, monkeypatch: pytest.MonkeyPatch) -> None:
        a_run_on_a_machine(0, 1, using=self.using)
        say("machine/left", printed(1, 0, 30), gap_settled(2, 30, 34, 60), using=self.using)
        monkeypatch.undo()
        rebuild(using=self.using)
        assert models.Run.objects.using(self.using).get().unknown == 4
        assert not models.PassedOverEntry.objects.using(self.using).exists()

    def test_a_small_batch_or_a_large_one_comes_to_the_same(self, monkeypatch: pytest.MonkeyPatch) -> None:
        a_run_on_a_machine(0, 1, using=self.using)
        for seq in range(1, 30, 2):
            say("machine/left", printed(seq, seq, seq + 1), gap_settled(seq + 1, 30, 34, 60), using=self.using)
        monkeypatch.setattr(folding, "BATCH", 7)
        monkeypatch.setattr(folding, "MOST_ROWS", 3)
        results = {result.view: result for result in rebuild(using=self.using)}
        assert all(result.equal for result in results.values())
        assert results["runs"].entries_passed_over == 15

    def test_rows_that_the_database_refuses_are_found_one_by_one(self, monkeypatch: pytest.MonkeyPatch) -> None:
        def unwritable(rows: Rows, fact: Any, event: Any) -> None:
            if event.columns.first == 30:
                rows.put(models.Strip, run_id=None, boundary=1, paper_position=1, made=True, at=event.at)
            runs_fold(rows, fact, event)

        (runs,) = [view for view in VIEWS if view.name == "runs"]
        runs_fold = runs.folds[ColumnsPrinted]
        monkeypatch.setitem(runs.folds, ColumnsPrinted, unwritable)  # type: ignore[arg-type]
        a_run_on_a_machine(0, 1, using=self.using)
        say("machine/left", printed(1, 0, 30), printed(2, 30, 40), printed(3, 40, 50), using=self.using)
        assert models.Run.objects.using(self.using).get().printed == 40
        assert models.PassedOverEntry.objects.using(self.using).get().position == 9


@pytest.mark.django_db
class TestPassingOverOnSQLite(PassingOverContract):
    using = "default"


@pytest.mark.postgres
@pytest.mark.django_db(databases=["postgres"])
class TestPassingOverOnPostgreSQL(PassingOverContract):
    using = "postgres"


def test_a_row_has_the_fields_of_its_table_and_no_others() -> None:
    rows = Rows("default", complete=True)
    row = rows.put(models.Machine, id="left", name="Left wall", venue_id="v", profile_id="p")
    made = models.Machine(id="left", name="Left wall", venue_id="v", profile_id="p")
    assert {name: value for name, value in vars(row).items() if name != "_state"} == {
        name: value for name, value in vars(made).items() if name != "_state"
    }
    assert row.conditions is not rows.put(models.Machine, id="right").conditions
    with pytest.raises(TypeError, match="Machine has no field 'venu_id'"):
        rows.put(models.Machine, id="left", venu_id="v")
