"""What the journal keeps of outages, and how that is told beside the machine."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import get_args

import pytest

from machines.node.store import recovery_state
from machines.node.store.journal import open_journal
from machines.operator.stop_causes import CAUSE_WORDS, cause_of
from machines.recovery import Cause, Columns, Gap, Override, Pace, Policy, Rule, settle

NOON = datetime(2026, 10, 24, 12, tzinfo=UTC)
PACE = Pace(nominal_columns_per_s=1.0, highest_columns_per_s=3.0, columns_per_burst=1)


@pytest.fixture
def db(tmp_path: Path) -> Iterator[sqlite3.Connection]:
    journal = open_journal(tmp_path, create=True)
    with journal.transaction() as connection:
        yield connection
    journal.close()


def settled(db: sqlite3.Connection, policy: Policy, override: Override | None = None) -> None:
    segment = Columns(first=0, end=10)
    gap = Gap(first=4, unknown_end=5, end=60, cause="jam", noticed_at=NOON, segment=segment, override=override)
    rule = gap.rule(policy)
    recovery_state.note_settlement(db, gap, settle(policy, gap, PACE), since=7.5, closed_only=rule.only_while_closed)


def test_at_first_there_is_nothing_to_make_good(db: sqlite3.Connection) -> None:
    kept = recovery_state.read(db)
    assert (kept.shift_s, kept.left_out, kept.half_printed, kept.again_end, kept.since) == (0.0, None, None, None, None)
    assert recovery_state.in_words(kept, catching_up=False, next_column=0) == ""


def test_it_keeps_what_a_decision_leaves_to_be_done(db: sqlite3.Connection) -> None:
    settled(db, Policy(kind="blank", half_printed="again"))
    kept = recovery_state.read(db)
    assert (kept.left_out, kept.blank) == (Columns(first=10, end=60), True)
    assert (kept.half_printed, kept.again_end) == (Columns(first=0, end=10), 5)
    assert (kept.since, kept.cause, kept.override) == (7.5, "jam", None)
    recovery_state.reach_left_out(db, 70)
    kept = recovery_state.read(db)
    assert (kept.left_out, kept.feed_to) == (None, 70)


def test_a_later_decision_takes_over(db: sqlite3.Connection) -> None:
    settled(db, Policy(kind="skip", half_printed="finish"))
    assert recovery_state.read(db).left_out == Columns(first=10, end=60)
    settled(db, Policy(kind="replay"))
    assert recovery_state.read(db).left_out is None


def test_a_word_is_remembered_beyond_other_outages_and_runs(db: sqlite3.Connection) -> None:
    settled(db, Policy(kind="skip"), Override(id="w1", rule=Rule(kind="replay"), given_at=NOON))
    settled(db, Policy(kind="skip"))
    recovery_state.begin_run(db, 0.0)
    assert recovery_state.read(db).override == "w1"


def test_another_run_has_a_timeline_of_its_own(db: sqlite3.Connection) -> None:
    settled(db, Policy(kind="skip", half_printed="again"))
    recovery_state.note_shift(db, 3600.0)
    recovery_state.begin_run(db, 12.5)
    kept = recovery_state.read(db)
    assert kept.shift_s == 12.5
    assert (kept.left_out, kept.half_printed, kept.again_end, kept.since, kept.cause) == (None,) * 5


@pytest.mark.parametrize(
    ("keywords", "cause"),
    [
        (("media-jam-error",), "jam"),
        (("media-jam",), "jam"),
        (("separation-cutter-jam-error",), "jam"),
        (("media-empty-error", "media-jam-error"), "jam"),
        (("media-empty-error",), "supplies"),
        (("media-needed-error",), "supplies"),
        (("marker-supply-empty-error", "cover-open-error"), "supplies"),
        (("marker-supply-low-warning", "cover-open-error"), "machine"),
        (("media-jam-warning", "media-empty-error"), "supplies"),
        (("connecting-to-device-error",), "machine"),
        ((), "machine"),
    ],
)
def test_the_cause_of_a_stop_follows_from_the_machines_own_words(keywords: tuple[str, ...], cause: Cause) -> None:
    """Keywords of RFC 8011 section 5.4.12 and PWG 5100.9."""
    assert cause_of(keywords) == cause


def test_it_is_told_beside_the_machine(db: sqlite3.Connection) -> None:
    settled(db, Policy(kind="skip", half_printed="again"))
    assert recovery_state.in_words(recovery_state.read(db), catching_up=True, next_column=2) == (
        ", catching up after a jam, a half-printed segment is printed again"
    )
    assert recovery_state.in_words(recovery_state.read(db), catching_up=True, next_column=5) == (
        ", catching up after a jam"
    )
    recovery_state.note_shift(db, 5400.0)
    assert recovery_state.in_words(recovery_state.read(db), catching_up=False, next_column=2) == (
        ", all of the run is 1.50 hours later than it was planned"
    )


def test_every_cause_has_words() -> None:
    assert set(CAUSE_WORDS) == set(get_args(Cause))
