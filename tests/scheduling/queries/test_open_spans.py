"""What is open of runs is found without the rest of their segments being read; what it is, `test_machine_context`."""

from __future__ import annotations

import pytest
from django.db.models import Q

from scheduling.log.models import TOLD_AND_OPEN, UNTOUCHED, Segment


@pytest.mark.django_db
@pytest.mark.parametrize("these, index", [(UNTOUCHED, "log_segment_untouched"), (TOLD_AND_OPEN, "log_segment_told")])
def test_the_database_takes_the_index_that_was_made_for_them(these: Q, index: str) -> None:
    """SQLite must see through the bound values that the index is of just these rows."""
    assert index in Segment.objects.filter(these, run_id__in=["first", "second"]).order_by("run_id").explain()
