"""Answers of how things were are the same with snapshots and without."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from unittest.mock import patch

import pytest
from django.db import transaction
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from scheduling.log.integrity.archive import TABLES, close_streams
from scheduling.log.models import Snapshot, SnapshotPart
from scheduling.log.moment import AsOf
from scheduling.log.projecting import folding
from scheduling.log.projecting.as_of import Page, machine_row_at, run_at, run_row_at, segments_at
from scheduling.log.projecting.take_snapshots import take_snapshots
from scheduling.log.rebuilding.rebuild import rebuild
from scheduling.log.snapshots import parts
from scheduling.log.snapshots.dropping import drop
from scheduling.log.store import append
from tests.scheduling.log.facts import a_run_on_a_machine, at, by, printed, say, segments
from tests.scheduling.log.histories import HISTORIES, RUNS, History
from tests.scheduling.log.projecting.test_as_of import ALL, everything, values

pytestmark = pytest.mark.django_db

SETTINGS = settings(suppress_health_check=(HealthCheck.function_scoped_fixture,), deadline=None, max_examples=30)
MINUTES = st.none() | st.integers(-10, 420)
FEW = Page(count=2)


@contextmanager
def small_parts() -> Iterator[None]:
    """So few rows together that a short history has many parts."""
    few = dict.fromkeys(parts._NEIGHBOURS, 3)
    with patch.object(parts, "_NEIGHBOURS", few), patch.object(parts, "VERSIONS", 3):
        yield


@contextmanager
def none_used() -> Iterator[None]:
    """Every question is answered from the first fact."""
    with patch.object(folding, "newest_usable", return_value=None):
        yield


def asked(moment: AsOf, column: int) -> dict[str, Any]:
    """All that can be asked for at a moment, whole and in part."""
    answers = everything(moment)
    answers["left"] = values([row for row in [machine_row_at("left", moment)] if row is not None])
    for name in RUNS:
        answers[f"{name}, its row"] = values([row for row in [run_row_at(name, moment)] if row is not None])
        answers[f"{name}, a page"] = [one.number for one in segments_at(name, moment, FEW) or []]
        then = run_at(name, moment, from_column=column)
        answers[f"{name}, in part"] = then and [
            values(some) for some in ([then.run], then.segments, then.stretches, then.strips, then.outages)
        ]
    return answers


def kept() -> list[Any]:
    """All that is kept of snapshots but for their ids."""
    heads = Snapshot.objects.order_by("scope", "place").values(
        *(field.attname for field in Snapshot._meta.concrete_fields if field.attname != "id")
    )
    rows = SnapshotPart.objects.order_by("scope", "rows_of", "part", "place")
    return [*heads, *((one.pk, one.end_column, bytes(one.data)) for one in rows)]


@SETTINGS
@given(history=HISTORIES, data=st.data())
def test_with_snapshots_every_answer_is_what_it_is_without(history: History, data: st.DataObject) -> None:
    """Whenever they are taken, whatever is told late or twice, and whoever asks what happened, or was known, when."""
    every = data.draw(st.integers(1, 4), label="every")
    moments = data.draw(st.lists(st.tuples(MINUTES, MINUTES), min_size=1, max_size=2), label="moments")
    column = data.draw(st.integers(-10, 420), label="column")
    with transaction.atomic(), small_parts():
        for minutes, appends in enumerate(history.appends()):
            append(appends, by(minutes))
            if data.draw(st.booleans(), label="take"):
                take_snapshots(every=every)
        if not data.draw(st.booleans(), label="some are not taken yet"):
            take_snapshots(every=every)
        for happened, known in moments:
            moment = AsOf(
                happened_by=None if happened is None else at(happened), known_by=None if known is None else at(known)
            )
            told = asked(moment, column)
            with none_used():
                assert asked(moment, column) == told
        transaction.set_rollback(True)


@settings(SETTINGS, max_examples=10)
@given(history=HISTORIES, every=st.integers(1, 4))
def test_dropped_and_taken_again_they_are_the_same(history: History, every: int) -> None:
    with transaction.atomic(), small_parts():
        for minutes, appends in enumerate(history.appends()):
            append(appends, by(minutes))
            take_snapshots(every=every)
        before = kept()
        drop(using="default")
        assert kept() == []
        take_snapshots(every=every)
        assert kept() == before
        transaction.set_rollback(True)


def of_three(using: str = "default") -> None:
    """A run with three snapshots; the fourth report is in none."""
    a_run_on_a_machine(0, using=using)
    say("run/spring", segments(1), minutes=1, using=using)
    for number, minutes in enumerate((20, 40, 60, 80)):
        say("machine/left", printed(number + 1, 20 * number, 20 * number + 20), minutes=minutes, using=using)
    assert take_snapshots(every=2, using=using)


def test_a_question_folds_only_what_came_after_the_snapshot() -> None:
    of_three()
    found: list[int] = []
    fold = folding._fold

    def counted(views: Any, reading: Any, *rest: Any) -> None:
        def reads(kinds: Any) -> Any:
            facts = list(reading(kinds))
            found.append(len(facts))
            return facts

        fold(views, reads, *rest)

    with patch.object(folding, "_fold", counted):
        now, then = run_row_at("spring", AsOf()), run_row_at("spring", AsOf(happened_by=at(45)))
        with none_used():
            assert run_row_at("spring", AsOf()) is not None
    assert now is not None and then is not None
    assert (now.printed, then.printed) == (80, 40)
    assert found[0] < found[-1] == 7


def test_a_rebuild_drops_them() -> None:
    of_three()
    assert Snapshot.objects.exists() and SnapshotPart.objects.exists()
    rebuild(swap=False)
    assert Snapshot.objects.exists() and SnapshotPart.objects.exists()
    rebuild()
    assert kept() == []


def test_nothing_of_what_was_closed_away_lives_on_in_them(tmp_path: Path) -> None:
    of_three()
    close_streams(["machine/left", "run/spring"], tmp_path / "closed.jsonl", by(100), key=None)
    assert kept() == []
    assert run_row_at("spring", AsOf()) is None
    assert {Snapshot, SnapshotPart} <= set(TABLES), "their pages of the file are written anew, too"


def test_those_of_another_program_are_not_used_and_made_anew() -> None:
    of_three()
    Snapshot.objects.update(program="of last year")
    SnapshotPart.objects.all().delete()  # a question that used one would find nothing
    now = run_row_at("spring", AsOf())
    assert now is not None and now.printed == 80


def test_what_is_dropped_while_it_is_read_is_not_used() -> None:
    of_three()
    usable = folding.newest_usable

    def dropped_behind(*asked: Any) -> Any:
        found = usable(*asked)
        assert found is not None
        drop(using="default")
        return found

    with patch.object(folding, "newest_usable", dropped_behind):
        then = run_at("spring", AsOf())
    assert then is not None and then.run.printed == 80
    assert len(then.segments) == 2
    assert values(segments_at("spring", AsOf(), ALL) or []) == values(then.segments)


@pytest.mark.postgres
@pytest.mark.django_db(databases=["postgres"], transaction=True)
@pytest.mark.parametrize("minutes", [10, 30, 50, 70, 90])
def test_on_postgresql_they_are_taken_used_and_dropped_just_so(minutes: int) -> None:
    using, moment = "postgres", AsOf(happened_by=at(minutes))
    with small_parts():
        of_three(using)
        assert Snapshot.objects.using(using).count() > 2

        def answers() -> list[Any]:
            then = run_at("spring", moment, from_column=30, using=using)
            assert then is not None
            row, machine = run_row_at("spring", moment, using=using), machine_row_at("left", moment, using=using)
            few = segments_at("spring", moment, FEW, using=using) or []
            return [values(one) for one in ([row], [machine], few, [then.run], then.segments, then.stretches)]

        told = answers()
        with none_used():
            assert answers() == told
        rebuild(using=using)
        assert not Snapshot.objects.using(using).exists() and not SnapshotPart.objects.using(using).exists()
        assert take_snapshots(every=2, using=using)
        assert answers() == told
