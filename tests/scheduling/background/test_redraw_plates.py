"""Plates that the disk has lost or cut short are drawn anew, the same to the last dot."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import pytest
from django.db.models import F

from scheduling.background.extend_plans import extend_plans
from scheduling.background.redraw_plates import PlateDiffers, redraw_lost
from scheduling.commands.additions import AddMachine
from scheduling.log.claims import claimed
from scheduling.log.models import Event, Run, Segment, Source
from scheduling.rendering.plate_store import PlateStore
from scheduling.rendering.upload_store import UploadStore
from tests.scheduling.house import MOON, NOON, STARS, furnish, order, plan

pytestmark = pytest.mark.django_db
WEEK = timedelta(days=8)


@pytest.fixture
def plates(tmp_path: Path) -> PlateStore:
    """The plates of a run that needs one a turn."""
    furnish(MOON)
    plan(cycle="lunar-day", ends_at=(NOON + timedelta(days=2)).isoformat())
    store = PlateStore(tmp_path / "plates")
    extend_plans(NOON, WEEK, store)
    return store


def files(store: PlateStore) -> list[Path]:
    return sorted(store.place.glob("*/*.png"))


def contents(store: PlateStore) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in files(store)}


def test_where_nothing_is_lost_nothing_is_drawn(plates: PlateStore) -> None:
    before = [path.stat().st_mtime_ns for path in files(plates)]
    assert len(before) >= 3
    assert redraw_lost(plates) == 0
    assert [path.stat().st_mtime_ns for path in files(plates)] == before


@pytest.mark.parametrize("octets", [None, 0, 1, 40, -1, -12])
def test_a_plate_that_is_gone_or_cut_short_is_drawn_as_it_was(plates: PlateStore, octets: int | None) -> None:
    before, events = contents(plates), Event.objects.count()
    lost = files(plates)[1]
    if octets is None:
        lost.unlink()
    else:
        lost.write_bytes(before[lost.name][:octets])
    with pytest.raises(KeyError):
        plates.png(lost.stem)
    assert redraw_lost(plates) == 1
    assert contents(plates) == before
    assert redraw_lost(plates) == 0
    assert Event.objects.count() == events


def test_where_somebody_else_is_at_it_that_is_said_and_nothing_looked_at(plates: PlateStore) -> None:
    """Not that every plate is there."""
    files(plates)[0].unlink()
    with claimed("redraw lost plates"):
        assert redraw_lost(plates) is None
    assert redraw_lost(plates) == 1


def test_a_folder_that_was_emptied_is_filled_again(plates: PlateStore) -> None:
    before = contents(plates)
    for path in files(plates):
        path.unlink()
    assert redraw_lost(plates) == len(before)
    assert contents(plates) == before


def test_a_plate_that_several_runs_share_is_drawn_once(tmp_path: Path) -> None:
    furnish(STARS)
    plan()
    order(AddMachine, id="two", name="Two", venue="shed", profile="small")
    plan(id="second", machine="two")
    store = PlateStore(tmp_path)
    extend_plans(NOON, WEEK, store)
    (path,) = files(store)
    path.unlink()
    assert redraw_lost(store) == 1


def test_plates_of_what_is_accounted_for_are_not_drawn_again(plates: PlateStore) -> None:
    for segment in Segment.objects.all():
        segment.printed = segment.end_column - segment.first_column
        segment.save()
    files(plates)[0].unlink()
    assert redraw_lost(plates) == 0


def test_plates_of_what_is_printed_are_drawn_again_where_that_is_asked_for(plates: PlateStore) -> None:
    for segment in Segment.objects.all():
        segment.printed = segment.end_column - segment.first_column
        segment.save()
    before, told = contents(plates), []
    for path in files(plates):
        path.unlink()
    assert redraw_lost(plates, printed_too=True, progress=lambda *one: told.append(one)) == len(before)
    assert contents(plates) == before
    assert told == [(number, len(before)) for number in range(1, len(before) + 1)]


@pytest.mark.parametrize("runs_columns_are_told", [False, True])
def test_a_plate_of_columns_that_are_to_be_printed_once_more_is(
    plates: PlateStore, runs_columns_are_told: bool
) -> None:
    """All the others are accounted for, of this run or even of the whole of it."""
    for segment in Segment.objects.all():
        segment.printed = segment.end_column - segment.first_column
        segment.save()
    once_more = Segment.objects.order_by("number")[0]
    once_more.again = [[once_more.first_column, once_more.first_column + 3]]
    once_more.save()
    whole = F("end_column") - F("first_column")
    Run.objects.update(again=3, **({"printed": whole} if runs_columns_are_told else {}))
    for path in files(plates):
        path.unlink()
    assert redraw_lost(plates) == 1
    assert [path.stem for path in files(plates)] == [once_more.plate]


def test_a_plate_that_comes_out_otherwise_is_said_and_the_others_are_drawn(plates: PlateStore) -> None:
    first, *others = (segment.plate for segment in Segment.objects.order_by("number"))
    Segment.objects.filter(plate=first).update(plate="0" * 64)
    lost = next(plate for plate in others if plate != first)
    (plates.place / lost[:2] / f"{lost}.png").unlink()
    with pytest.raises(ExceptionGroup, match="1 lost plates could not be drawn anew; 1 others were") as caught:
        redraw_lost(plates)
    (differs,) = caught.value.exceptions
    assert isinstance(differs, PlateDiffers)
    assert (differs.run, differs.planned, differs.drawn) == ("first", "0" * 64, first)
    assert differs.turn == Run.objects.get().first_column // 240
    assert plates.has(lost)


def memories(store: PlateStore) -> dict[Path, str]:
    return {path: path.read_text() for path in (store.place / "recipes").rglob("*") if path.is_file()}


def test_what_is_lost_is_drawn_whatever_is_remembered_of_it(plates: PlateStore) -> None:
    """A memory that leads to another plate, which is there, must not stand in for the drawing."""
    lost, other = files(plates)[:2]
    content = lost.read_bytes()
    (memory,) = (path for path, digest in memories(plates).items() if digest == lost.stem)
    memory.write_text(other.stem)
    lost.unlink()
    assert redraw_lost(plates) == 1
    assert lost.read_bytes() == content
    assert memory.read_text() == lost.stem, "it is put right"


def test_of_a_plate_that_comes_out_otherwise_nothing_is_kept(plates: PlateStore) -> None:
    first = Segment.objects.order_by("number")[0].plate
    Segment.objects.filter(plate=first).update(plate="0" * 64)
    (plates.place / first[:2] / f"{first}.png").unlink()
    for path in memories(plates):
        path.unlink()
    with pytest.raises(ExceptionGroup):
        redraw_lost(plates)
    assert not plates.has(first) and not memories(plates)


def test_where_there_is_no_more_time_the_rest_is_drawn_the_next_time(plates: PlateStore) -> None:
    before = contents(plates)
    for path in files(plates):
        path.unlink()
    assert [redraw_lost(plates, has_time=lambda: False) for _ in range(len(before) + 1)] == [1] * len(before) + [0]
    assert contents(plates) == before


def test_a_plate_that_cannot_be_drawn_takes_the_time_of_the_others_once(plates: PlateStore) -> None:
    first, *others = dict.fromkeys(segment.plate for segment in Segment.objects.order_by("number"))
    Segment.objects.filter(plate=first).update(plate="1" * 64)
    (plates.place / others[0][:2] / f"{others[0]}.png").unlink()
    with pytest.raises(ExceptionGroup, match="1 lost plates could not be drawn anew; 0 others were"):
        redraw_lost(plates, has_time=lambda: False)
    assert redraw_lost(plates, has_time=lambda: False) == 1
    assert plates.has(others[0])


def test_a_picture_whose_file_is_gone_is_said(plates: PlateStore, tmp_path: Path) -> None:
    Source.objects.update(upload="1" * 64)
    files(plates)[0].unlink()
    with pytest.raises(ExceptionGroup, match="0 others") as caught:
        redraw_lost(plates, UploadStore(tmp_path / "uploads"))
    assert "there is no file" in str(caught.value.exceptions[0])
