"""The state of a run is said as the serializers that describe it would say it, to the byte."""

from __future__ import annotations

import pytest
from rest_framework.renderers import JSONRenderer

from scheduling.log.moment import AsOf
from scheduling.log.projecting.as_of import run_at
from server.api.state import StateRow, state_data
from tests.scheduling.log.facts import a_run_on_a_machine, cut, gap_settled, printed, say
from tests.server.studio import Caller


@pytest.mark.django_db
def test_it_is_said_as_the_serializers_would_say_it() -> None:
    a_run_on_a_machine(0, 1, 2)
    say("machine/left", printed(1, 0, 50, worst_miss_s=1), printed(2, 50, 70), cut(3, 1), cut(4, 2, made=False))
    say("machine/left", gap_settled(5, 70, 75, 90))
    state = run_at("spring", AsOf())
    assert state is not None
    assert len(state.segments) == 3
    assert len(state.strips) == 2
    assert len(state.outages) == 1
    assert {segment.finished_at is None for segment in state.segments} == {True, False}
    render = JSONRenderer().render
    assert render(state_data(state)) == render(StateRow(state).data)


def test_only_columns_are_said_without_their_serializer() -> None:
    described = StateRow().fields
    for name in ("segments", "strips"):
        rows = described[name].child  # type: ignore[attr-defined]
        assert not rows._declared_fields
        assert {"to_representation", "get_fields"}.isdisjoint(vars(type(rows)))


@pytest.mark.parametrize("column", ["-1", "1.5", "x", "9" * 16, ""])
def test_a_column_that_is_none_is_named(furnished: Caller, column: str) -> None:
    answer = furnished.get(f"runs/spring/state?at=2026-03-21T12:00:00Z&from_column={column}")
    assert (answer.status_code, answer.json()["field"]) == (422, "from_column")


def test_what_lies_before_a_column_can_be_left_out(furnished: Caller) -> None:
    asked = "runs/spring/state?at=2026-03-21T12:00:00Z"
    whole = furnished.get(asked).json()
    middle = whole["segments"][len(whole["segments"]) // 2]["first_column"]
    part = furnished.get(f"{asked}&from_column={middle}").json()
    assert part["segments"] == [one for one in whole["segments"] if one["end_column"] > middle] != whole["segments"]
    assert (part["run"], part["outages"]) == (whole["run"], whole["outages"])
