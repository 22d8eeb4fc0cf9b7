"""The drawing of a machine's paper at an instant."""

from __future__ import annotations

from datetime import timedelta

import pytest

from scheduling.answers.paper_at import paper_at
from scheduling.log.models import Machine, PrintedStretch, Run
from scheduling.queries.machine_context import machine_context
from server.console.drawn_paper import drawn_paper, in_sight
from tests.scheduling.house import NOON, furnish, plan

pytestmark = pytest.mark.django_db
REPORTS = 1_200


def test_what_more_reports_told_than_a_query_may_have_parts_is_drawn() -> None:
    """SQLite reads an expression up to 1,000 deep (its limits, as documented); 100 columns come due in an hour here."""
    furnish({"kind": "map", "data": "land-110m"}, columns_per_turn=2_400)
    plan()
    first = Run.objects.get().first_column
    common = {"machine_id": "one", "run_id": "first", "segment": 0, "worst_miss_s": 0.0}
    PrintedStretch.objects.bulk_create(
        PrintedStretch(
            **common,
            version=number + 1,
            first_column=first + number,
            end_column=first + number + 1,
            paper_position=number,
            at=NOON + timedelta(seconds=36 * number),
        )
        for number in range(REPORTS)
    )
    now = NOON + timedelta(hours=13)
    context = machine_context(Machine.objects.get(), now)
    assert in_sight(context.model) > REPORTS
    found = paper_at(context, now - timedelta(minutes=70), in_sight(context.model))
    assert drawn_paper(found).pieces
    assert sum(one.end - one.first for one in found.laid) > 1_000
