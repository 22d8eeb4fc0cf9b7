"""Where strips begin, and where their boundaries lie on the paper."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

from hypothesis import assume, given
from hypothesis import strategies as st

from machines.model.slots import boundaries
from machines.node.store import strips
from machines.node.store.journal import open_journal
from machines.node.store.strips import Strip

columns = st.integers(2, 5000)
counts = st.integers(1, 60)


@given(columns, counts, st.integers(-3, 5))
def test_a_turn_has_as_many_strips_as_it_should(per_turn: int, count: int, turn: int) -> None:
    assume(count <= per_turn)
    first = turn * per_turn
    found = boundaries(first - 1, first + per_turn - 1, per_turn, count)
    assert len(found) == count
    assert found[0] == first
    assert found == sorted(found)


@given(columns, counts, st.integers(0, 3), st.integers(0, 200))
def test_a_boundary_is_the_nearest_column(per_turn: int, count: int, turn: int, strip: int) -> None:
    assume(count <= per_turn)
    exact = turn * per_turn + Fraction(strip % count * per_turn, count)
    found = boundaries(-1, 5 * per_turn, per_turn, count)[turn * count + strip % count]
    assert abs(found - exact) <= Fraction(1, 2)


@given(columns, counts, st.integers(-2000, 2000), st.integers(0, 3000), st.integers(0, 3000))
def test_stretches_side_by_side_find_each_boundary_once(
    per_turn: int, count: int, after: int, one: int, other: int
) -> None:
    whole = boundaries(after, after + one + other, per_turn, count)
    parts = boundaries(after, after + one, per_turn, count) + boundaries(
        after + one, after + one + other, per_turn, count
    )
    assert whole == parts


def test_more_strips_than_columns_are_as_many_as_there_are_columns() -> None:
    assert boundaries(-1, 5, 3, 7) == [0, 1, 2, 3, 4, 5]


def test_no_strips_no_boundaries() -> None:
    assert boundaries(-1, 10_000, 720, 0) == []


def test_they_are_remembered_in_the_order_in_which_they_come_to_the_knife(tmp_path: Path) -> None:
    journal = open_journal(tmp_path, create=True)
    with journal.transaction() as db:
        strips.note(db, "run", {120: 90, 60: 50})
        strips.note(db, "run", {120: 70})  # its place is known once and for all
        strips.note(db, "next", {0: 70})
        assert strips.pending(db) == [
            Strip(run="run", boundary=60, place=50),
            Strip(run="next", boundary=0, place=70),
            Strip(run="run", boundary=120, place=90),
        ]
        strips.order(db, strips.pending(db)[:1])
        assert [strip.ordered for strip in strips.pending(db)] == [True, False, False]
        strips.done(db, strips.pending(db)[:2])
        assert strips.pending(db) == [Strip(run="run", boundary=120, place=90)]
    journal.close()
