"""Uploaded files are kept by what they hold, and a source is checked with its file."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from machines.errors import InputError
from machines.serialization import structure
from scheduling.background.extend_plans import extend_plans
from scheduling.commands import handlers
from scheduling.log.models import Event, Run, Segment, Source
from scheduling.log.projections import VIEWS
from scheduling.log.rebuilding.rebuild import rebuild
from scheduling.rendering.plate_store import PlateStore
from scheduling.rendering.sources import render_source
from scheduling.rendering.upload_store import UploadStore, UploadTooLarge
from tests.scheduling.house import MOON, NOON, by, furnish, plan
from tests.scheduling.rendering.test_render import SQUARE, grey_png

CONTENT = [b"one ", b"two ", b"three"]
DIGEST = hashlib.sha256(b"".join(CONTENT)).hexdigest()


def files(folder: Path) -> list[Path]:
    return [path for path in folder.rglob("*") if path.is_file()]


def test_a_file_comes_back_under_its_digest(tmp_path: Path) -> None:
    uploads = UploadStore(tmp_path)
    kept = uploads.put(CONTENT)
    assert (kept.digest, kept.bytes) == (DIGEST, 13)
    assert uploads.get(DIGEST) == b"one two three"


def test_keeping_a_file_again_leaves_it_alone(tmp_path: Path) -> None:
    uploads = UploadStore(tmp_path)
    uploads.put(CONTENT)
    (path,) = files(tmp_path)
    before = path.stat()
    assert uploads.put([b"".join(CONTENT)]).digest == DIGEST
    assert files(tmp_path) == [path]
    assert (path.stat().st_ino, path.stat().st_mtime_ns) == (before.st_ino, before.st_mtime_ns)


def test_a_file_that_is_too_long_leaves_nothing(tmp_path: Path) -> None:
    asked = 0

    def endless() -> Iterator[bytes]:
        nonlocal asked
        while True:
            asked += 1
            yield b"0123456789"

    with pytest.raises(UploadTooLarge, match="longer than 95 bytes"):
        UploadStore(tmp_path, limit=95).put(endless())
    assert asked == 10 and files(tmp_path) == []
    assert UploadStore(tmp_path, limit=10).put([b"0123456789"]).bytes == 10


def test_a_connection_that_breaks_leaves_nothing(tmp_path: Path) -> None:
    def broken() -> Iterator[bytes]:
        yield b"half"
        raise ConnectionResetError

    with pytest.raises(ConnectionResetError):
        UploadStore(tmp_path).put(broken())
    assert files(tmp_path) == []


@pytest.mark.parametrize("damaged", [b"", b"one two", b"one two thre?"])
def test_a_file_that_was_damaged_is_as_good_as_none_until_it_is_uploaded_again(tmp_path: Path, damaged: bytes) -> None:
    uploads = UploadStore(tmp_path)
    uploads.put(CONTENT)
    (path,) = files(tmp_path)
    path.write_bytes(damaged)
    with pytest.raises(KeyError):
        uploads.get(DIGEST)
    assert uploads.put(CONTENT).digest == DIGEST
    assert uploads.get(DIGEST) == b"".join(CONTENT)
    assert files(tmp_path) == [path]


@pytest.mark.parametrize("name", ["0" * 64, "../../secret-key", "", "A" * 64])
def test_no_such_file(tmp_path: Path, name: str) -> None:
    with pytest.raises(KeyError):
        UploadStore(tmp_path).get(name)


@pytest.fixture
def uploads(tmp_path: Path, db: None) -> UploadStore:
    return UploadStore(tmp_path / "uploads")


def add(uploads: UploadStore | None, picture: dict[str, Any], **fields: Any) -> None:
    data = {"id": "mine", "name": "Mine", "picture": picture} | fields
    handlers.handle(structure(data, handlers.AddSource), by(), uploads)


def print_it(uploads: UploadStore) -> None:
    asked = {"id": "second", "machine": "one", "source": "mine", "cycle": "apparent-solar-day"}
    span = {"starts_at": NOON.isoformat(), "ends_at": (NOON + timedelta(hours=30)).isoformat()}
    handlers.handle(structure(asked | span | {"policy": {"kind": "skip"}}, handlers.PlanRun), by(), uploads)


def test_a_source_keeps_its_file_its_method_and_its_curve(uploads: UploadStore) -> None:
    digest = uploads.put([grey_png()]).digest
    curve = {"asked": [0.0, 0.5, 1.0], "printed": [0.0, 0.7, 1.0]}
    add(uploads, {"kind": "image"}, upload=digest, method="diffusion", curve=curve)
    original = render_source(Source.objects.get(id="mine"), uploads)
    assert (original.upload, original.method) == (grey_png(), "diffusion")
    assert original.curve is not None and original.curve.printed == (0.0, 0.7, 1.0)


def test_a_source_with_all_of_it_is_folded_again_to_the_same_row(uploads: UploadStore) -> None:
    curve = {"asked": [0.0, 0.5, 1.0], "printed": [0.0, 0.7, 1.0]}
    add(uploads, {"kind": "image"}, upload=uploads.put([grey_png()]).digest, method="ordered", curve=curve)
    (result,) = rebuild(views=[view for view in VIEWS if view.name == "sources"], swap=False)
    assert (result.equal, result.rows, result.failure) == (True, 2, None)  # itself, and its version


def test_a_source_without_more_is_printed_in_blue_noise(uploads: UploadStore) -> None:
    add(None, {"kind": "stars"})
    original = render_source(Source.objects.get(id="mine"), None)
    assert (original.upload, original.method, original.curve) == (None, "blue-noise", None)


IMAGE, UPLOADED_MAP = {"kind": "image"}, {"kind": "map", "data": "upload"}
UPLOADED_DAYLIGHT = {"kind": "daylight-map", "map": UPLOADED_MAP}


@pytest.mark.parametrize(
    ("picture", "content", "field", "problem"),
    [
        (IMAGE, None, "upload", "missing"),
        (UPLOADED_MAP, None, "upload", "missing"),
        (UPLOADED_DAYLIGHT, None, "upload", "missing"),
        (IMAGE, b"GIF89a", "upload", "not a whole PNG"),
        (IMAGE, grey_png()[:40], "upload", "not a whole PNG"),
        (UPLOADED_MAP, grey_png(), "upload", ""),
        (UPLOADED_MAP, b'{"type": "Polygon", "coordinates": [[[0, 95]]]}', "upload.coordinates", ""),
        (UPLOADED_DAYLIGHT, b'{"type": "Polygon", "coordinates": [[[0, 95]]]}', "upload.coordinates", ""),
        ({"kind": "stars"}, SQUARE, "upload", "drawn from no file"),
        ({"kind": "map"}, SQUARE, "upload", "drawn from no file"),
    ],
)
def test_a_file_that_cannot_be_printed_is_refused_by_name(
    uploads: UploadStore, picture: dict[str, Any], content: bytes | None, field: str, problem: str
) -> None:
    digest = None if content is None else uploads.put([content]).digest
    with pytest.raises(InputError) as caught:
        add(uploads, picture, upload=digest)
    assert caught.value.field.startswith(field)
    assert problem in caught.value.problem and caught.value.remedy
    assert not Event.objects.exists()


@pytest.mark.parametrize("digest", ["0" * 64, "../secret-key", ""])
def test_a_file_that_is_not_there_is_refused(uploads: UploadStore, digest: str) -> None:
    for store in (uploads, None):
        with pytest.raises(InputError, match="upload the file first"):
            add(store, IMAGE, upload=digest)


@pytest.mark.parametrize(
    ("fields", "field"),
    [
        ({"method": "mosaic"}, "method"),
        ({"curve": {"asked": [0.0, 1.0], "printed": [0.0, 0.5, 1.0]}}, "curve.printed"),
        ({"curve": {"asked": [0.0, 0.5, 1.0], "printed": [0.0, 1.0, 1.0]}}, "curve.printed[2]"),
    ],
)
def test_tones_that_cannot_be_printed_are_refused_by_name(
    uploads: UploadStore, fields: dict[str, Any], field: str
) -> None:
    with pytest.raises(InputError) as caught:
        add(uploads, {"kind": "stars"}, **fields)
    assert caught.value.field == field


def test_a_run_prints_what_was_uploaded(uploads: UploadStore, tmp_path: Path) -> None:
    furnish()
    add(uploads, UPLOADED_MAP, upload=uploads.put([SQUARE]).digest, method="line-art")
    print_it(uploads)
    plates = PlateStore(tmp_path / "plates")
    extend_plans(NOON, timedelta(days=8), plates, uploads)
    (digest,) = set(Segment.objects.values_list("plate", flat=True))
    dots = plates.get(digest).dots
    # A quarter of the turn wide round the middle, 60 of 360 degrees high; the paper shows 20 of 120 mm.
    assert span_of(dots.any(axis=0)) == (90, 150)
    assert dots[:, 90:150].all()


def span_of(marked: Any) -> tuple[int, int]:
    places = marked.nonzero()[0]
    return int(places[0]), int(places[-1]) + 1


@pytest.mark.parametrize(
    ("picture", "profile", "field"),
    [
        (MOON | {"diameter_mm": 25.0}, {}, "source.diameter_mm"),
        (MOON | {"discs": 9}, {}, "source.diameter_mm"),
        (MOON | {"diameter_mm": 19.0}, {"print_width_mm": 18.0}, "source.diameter_mm"),
    ],
)
def test_a_picture_that_does_not_fit_the_machine_is_refused_with_the_run(
    db: None, picture: dict[str, Any], profile: dict[str, Any], field: str
) -> None:
    furnish(picture, **profile)
    with pytest.raises(InputError) as caught:
        plan(cycle="lunar-day")
    assert caught.value.field == field
    assert not Run.objects.exists()


def test_a_blend_that_is_longer_than_half_a_turn_is_refused_with_the_run(uploads: UploadStore) -> None:
    furnish()
    add(uploads, {"kind": "image", "blend_mm": 70.0}, upload=uploads.put([grey_png()]).digest)
    with pytest.raises(InputError) as caught:
        print_it(uploads)
    assert caught.value.field == "source.blend_mm"
