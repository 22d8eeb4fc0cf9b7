"""Plates of runs that are over are removed by age and size, and come back the same to the last dot."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import pytest
from django.db import connection
from django.db.models import F
from django.test.utils import CaptureQueriesContext

from scheduling.background import tidy_plates
from scheduling.background.extend_plans import extend_plans
from scheduling.background.redraw_plates import PlateDiffers, redraw_lost
from scheduling.background.tidy_plates import tidy, tidy_for_a_while, untidy
from scheduling.log.claims import claimed
from scheduling.log.models import Run, Segment
from scheduling.rendering.plate_store import PlateStore
from tests.scheduling.background.test_redraw_plates import WEEK, contents, files
from tests.scheduling.house import MOON, NOON, furnish, plan

pytestmark = pytest.mark.django_db
MONTH, YEAR = timedelta(days=30), timedelta(days=365)


@pytest.fixture
def plates(tmp_path: Path) -> PlateStore:
    """The plates of a run that needs one a turn, and is over."""
    furnish(MOON)
    plan(cycle="lunar-day", ends_at=(NOON + timedelta(days=4)).isoformat())
    store = PlateStore(tmp_path / "plates")
    extend_plans(NOON, WEEK, store)
    all_printed()
    return store


def all_printed() -> None:
    whole = F("end_column") - F("first_column")
    Run.objects.update(printed=whole)
    Segment.objects.update(printed=whole)


def in_turn() -> list[str]:
    return list(dict.fromkeys(Segment.objects.order_by("number").values_list("plate", flat=True)))


def test_all_but_the_last_plate_go_when_they_are_old_and_come_back_as_they_were(plates: PlateStore) -> None:
    before, digests = contents(plates), in_turn()
    chosen = untidy(plates, NOON + YEAR, MONTH)
    assert [one.digest for one in chosen] == digests[:-1]
    assert [one.octets for one in chosen] == [len(before[f"{digest}.png"]) for digest in digests[:-1]]
    assert contents(plates) == before
    told: list[tuple[int, int]] = []
    assert tidy(chosen, plates, None, lambda *one: told.append(one)) == len(chosen) == told[-1][0]
    assert [file.stem for file in files(plates)] == digests[-1:]
    assert redraw_lost(plates) == 0
    assert redraw_lost(plates, printed_too=True) == len(chosen)
    assert contents(plates) == before


def test_none_is_gone_that_is_young(plates: PlateStore) -> None:
    last_but_one = Segment.objects.filter(plate=in_turn()[-2]).order_by("number").last()
    assert last_but_one is not None
    assert untidy(plates, last_but_one.ends_at + timedelta(days=13), timedelta(0), 0) != []
    assert in_turn()[-2] not in [
        one.digest for one in untidy(plates, last_but_one.ends_at + timedelta(days=13), timedelta(0), 0)
    ]
    assert untidy(plates, NOON + timedelta(days=29), MONTH) == []


def test_of_those_that_take_too_much_room_the_oldest_go(plates: PlateStore) -> None:
    digests, sizes = in_turn(), plates.sizes()
    room = sum(sizes.values()) - sizes[digests[0]] - 1
    chosen = untidy(plates, NOON + MONTH, YEAR, room)
    assert [one.digest for one in chosen] == digests[:2]
    assert untidy(plates, NOON + MONTH, YEAR, sum(sizes.values())) == []


@pytest.mark.parametrize("change", [{"printed": 0}, {"again": 1}, {"printed": F("printed") - 1}])
def test_nothing_of_a_run_that_is_not_over_goes(plates: PlateStore, change: dict[str, object]) -> None:
    """Nor where it is only to print a column once more; and what another run still prints stays."""
    chosen = untidy(plates, NOON + YEAR, MONTH)
    Run.objects.update(**change)
    assert untidy(plates, NOON + YEAR, MONTH, 0) == []
    before = contents(plates)
    assert tidy(chosen, plates, None) == 0
    assert contents(plates) == before


def test_whether_they_may_go_still_is_asked_seldom(plates: PlateStore) -> None:
    chosen = untidy(plates, NOON + YEAR, MONTH)
    assert len(chosen) > 1
    with CaptureQueriesContext(connection) as asked:
        tidy(chosen, plates, None)
    assert sum("MIN(" in one["sql"].upper() for one in asked) == 1


def test_one_that_would_come_out_otherwise_stays_and_the_others_go(plates: PlateStore) -> None:
    first, second, *others = in_turn()
    Segment.objects.filter(plate=first).update(plate="x")
    Segment.objects.filter(plate=second).update(plate=first)
    with pytest.raises(ExceptionGroup, match="1 plates cannot be drawn again, and stay; ") as caught:
        tidy(untidy(plates, NOON + YEAR, MONTH), plates, None)
    (differs,) = caught.value.exceptions
    assert isinstance(differs, PlateDiffers)
    assert (differs.planned, differs.drawn) == (first, second)
    assert {file.stem for file in files(plates)} == {first, second, others[-1]}


def test_a_file_that_nobody_planned_is_left_alone(plates: PlateStore) -> None:
    Segment.objects.all().delete()
    assert untidy(plates, NOON + YEAR, MONTH, 0) == []


def for_a_while(plates: PlateStore, times: int = 1000) -> int | None:
    left = iter([True] * (times - 1) + [False])
    return tidy_for_a_while(plates, None, NOON + YEAR, MONTH, None, lambda: next(left))


def test_it_goes_on_where_its_time_ended(plates: PlateStore) -> None:
    assert for_a_while(plates, times=2) == 2
    assert [file.stem for file in files(plates)] == sorted(in_turn()[2:])
    assert for_a_while(plates) == len(in_turn()) - 3
    assert for_a_while(plates) == 0


def test_one_that_cannot_be_drawn_again_stays_is_said_once_and_holds_up_none(
    plates: PlateStore, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(tidy_plates, "_stay", set())
    caplog.set_level("INFO")
    first, right = in_turn()[0], tidy_plates._require_drawn_again

    def drawn_again(one: tidy_plates.Untidy, *where: object) -> None:
        if one.digest == first:
            raise PlateDiffers(one.run, 0, first, "0" * 64)
        right(one, *where)  # type: ignore[arg-type]

    monkeypatch.setattr(tidy_plates, "_require_drawn_again", drawn_again)
    assert for_a_while(plates, times=1) == 0
    assert for_a_while(plates, times=1) == 1
    assert for_a_while(plates) == len(in_turn()) - 3
    assert {file.stem for file in files(plates)} == {first, in_turn()[-1]}
    assert caplog.text.count(f"plate {first} cannot be drawn again, and stays") == 1


def test_one_does_it_at_a_time(plates: PlateStore) -> None:
    with claimed("tidy plates"):
        assert for_a_while(plates) is None
    assert for_a_while(plates) == len(in_turn()) - 1
