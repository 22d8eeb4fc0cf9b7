"""What is open of runs is found without the rest of their segments being read; what it is, `test_machine_context`."""

from __future__ import annotations

import pytest
from django.db import connection
from django.db.models import Q
from django.test.utils import CaptureQueriesContext

from scheduling.log.models import TOLD_AND_OPEN, UNTOUCHED, Segment
from scheduling.queries.open_spans import open_rows


@pytest.mark.django_db
@pytest.mark.parametrize("these, index", [(UNTOUCHED, "log_segment_untouched"), (TOLD_AND_OPEN, "log_segment_told")])
def test_the_database_takes_the_index_that_was_made_for_them(these: Q, index: str) -> None:
    """SQLite must see through the bound values that the index is of just these rows."""
    assert index in Segment.objects.filter(these, run_id__in=["first", "second"]).order_by("run_id").explain()


@pytest.mark.django_db
def test_the_open_rows_of_a_run_are_found_by_both_in_one_question() -> None:
    with CaptureQueriesContext(connection) as queries:
        assert open_rows("first") == []
    (asked,) = queries.captured_queries
    with connection.cursor() as cursor:
        plan = str(cursor.execute(f"EXPLAIN QUERY PLAN {asked['sql']}").fetchall())
    assert "log_segment_untouched" in plan and "log_segment_told" in plan and "SCAN log_segment" not in plan
