"""The state of a run is said as the serializers that describe it would say it, to the byte."""

from __future__ import annotations

import pytest
from rest_framework.renderers import JSONRenderer

from scheduling.log.moment import AsOf
from scheduling.log.projecting.as_of import run_at
from server.api.state import StateRow, state_data
from tests.scheduling.log.facts import a_run_on_a_machine, cut, gap_settled, printed, say


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
