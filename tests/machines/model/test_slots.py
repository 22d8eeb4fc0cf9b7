"""Where strips begin, and how many do: counted without looking at each."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from machines.model.slots import boundaries, boundary_count


@given(
    after=st.integers(-5000, 5000), span=st.integers(0, 5000), columns=st.integers(1, 900), strips=st.integers(0, 900)
)
def test_boundaries_are_counted_as_they_are_named(after: int, span: int, columns: int, strips: int) -> None:
    per_turn = columns, min(strips, columns)
    assert boundary_count(after, after + span, *per_turn) == len(boundaries(after, after + span, *per_turn))


def test_those_of_a_run_of_years_are_counted_at_once() -> None:
    assert boundary_count(0, 10**12, 720, 720) == 10**12
