"""Rows made without Django's own way to make one are Django's rows all the same."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from scheduling.log import batched_sql
from scheduling.log.models import Opening, Strip, Venue
from scheduling.log.rows.row_cache import Rows
from scheduling.log.rows.row_sql import table

AT = datetime(2026, 9, 1, 12, 0, tzinfo=UTC)


def strip(boundary: int) -> Strip:
    made: Strip = table(Strip, "default").row(
        {"run_id": "spring", "boundary": boundary, "paper_position": 3, "made": True, "at": AT}
    )
    return made


@pytest.mark.django_db
def test_a_row_is_written_and_found_again() -> None:
    strips = table(Strip, "default")
    strips.write([strip(1), strip(2)])
    assert strips.find(("spring", 2)) == Strip.objects.get(boundary=2) == strip(2)
    assert strips.find(("spring", 3)) is None


@pytest.mark.django_db
def test_each_row_keeps_its_own_what_it_refers_to() -> None:
    venues, openings = table(Venue, "default"), table(Opening, "default")
    for id in ("quay", "shed"):
        place = {"latitude_degrees": 0.0, "longitude_degrees": 0.0, "elevation_m": 0.0, "zone": "UTC"}
        venues.write([venues.row({"id": id, "name": id.title(), **place})])
    one, other = (
        openings.row({"id": id, "venue_id": id, "name": id, "anchor": {}, "opens_at": AT}) for id in ("quay", "shed")
    )
    assert (one.venue.name, other.venue.name) == ("Quay", "Shed")
    assert "venue" in one._state.fields_cache


@pytest.mark.django_db
def test_rows_are_found_by_what_holds_for_them() -> None:
    strips = table(Strip, "default")
    strips.write([strip(boundary) for boundary in (3, 1, 2)])
    assert strips.where("boundary > %s ORDER BY boundary DESC", 1) == [strip(3), strip(2)]
    assert strips.where("run_id = %s AND at <= %s ORDER BY boundary LIMIT 1", "spring", AT) == [strip(1)]
    assert strips.where("at < %s", AT) == []


@pytest.mark.django_db
def test_a_row_that_is_not_there_is_missed() -> None:
    with pytest.raises(Venue.DoesNotExist, match="quay"):
        table(Venue, "default").get("quay")


@pytest.mark.django_db
def test_a_row_that_is_dropped_is_gone_and_may_come_again() -> None:
    table(Strip, "default").write([strip(1), strip(2)])
    rows = Rows("default")
    rows.drop(Strip, run_id="spring")
    assert rows.find(Strip, ("spring", 1)) is None
    rows.put(Strip, run_id="spring", boundary=2, paper_position=9, made=True, at=AT)
    rows.write()
    assert list(Strip.objects.values_list("boundary", "paper_position")) == [(2, 9)]
    rows.drop(Strip, run_id="spring")
    batched_sql.run(rows.statements(), using="default")
    assert not Strip.objects.exists()
