"""Files are kept by what they hold, and become sources."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Any

import pytest

from scheduling.rendering.upload_store import UploadStore
from server import wiring
from server.api.uploads import MEDIA_TYPES
from tests.scheduling.rendering.test_atomic_files import room_for
from tests.scheduling.rendering.test_render import SQUARE, grey_png
from tests.server.api.test_bad_input import problem
from tests.server.conftest import enrol
from tests.server.keys import events
from tests.server.studio import MACHINE, PROFILE, VENUE, Caller

PNG = grey_png()


def upload(studio: Caller, content: bytes = PNG, media_type: str = "image/png") -> Any:
    response = studio.post("uploads", content, content_type=media_type)
    assert response.status_code == 201, response.content
    return response.json()


def source(**fields: Any) -> dict[str, Any]:
    return {"id": "photo", "name": "Photo", "picture": {"kind": "image"}} | fields


@pytest.mark.parametrize("media_type", [*MEDIA_TYPES, "Image/PNG", "application/geo+json; charset=utf-8"])
def test_a_file_is_named_by_its_digest(studio: Caller, media_type: str) -> None:
    digest = hashlib.sha256(PNG).hexdigest()
    assert upload(studio, PNG, media_type) == upload(studio, PNG, media_type) == {"digest": digest, "bytes": len(PNG)}
    assert wiring.uploads().get(digest) == PNG


@pytest.mark.parametrize("media_type", ["application/json", "text/plain", "image/svg+xml", "multipart/form-data", ""])
def test_a_file_of_another_type_is_refused(studio: Caller, media_type: str, tmp_path: Path) -> None:
    assert problem(studio.post("uploads", PNG, content_type=media_type), 415)["type"] == "about:blank"
    assert not (tmp_path / "uploads").exists()


def test_when_the_disk_is_full_the_answer_says_so_and_nothing_is_left(studio: Caller, tmp_path: Path) -> None:
    with room_for(100):
        answer = studio.post("uploads", PNG * 10, content_type="image/png")
    assert problem(answer, 507)["type"] == "/api/v1/problems/disk-full"
    assert [path for path in (tmp_path / "uploads").rglob("*") if path.is_file()] == []
    assert upload(studio, PNG * 10)["bytes"] == 10 * len(PNG)


def test_an_empty_file_is_refused(studio: Caller) -> None:
    told = problem(studio.post("uploads", b"", content_type="image/png"), 422)
    assert told["type"] == "/api/v1/problems/bad-input"
    assert told["remedy"]


def test_a_file_that_is_too_large_is_refused(studio: Caller, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(wiring, "uploads", lambda: UploadStore(tmp_path / "uploads", limit=len(PNG) - 1))
    told = problem(studio.post("uploads", PNG, content_type="image/png"), 413)
    assert told["type"] == "/api/v1/problems/body-too-large"
    assert not list((tmp_path / "uploads").iterdir())


def test_only_the_studio_uploads(furnished: Caller, tmp_path: Path) -> None:
    token = str(enrol(furnished)["token"])
    for caller, status in ((Caller(), 401), (Caller("nonsense"), 401), (Caller(token), 403)):
        assert caller.post("uploads", PNG, content_type="image/png").status_code == status
    assert not (tmp_path / "uploads").exists()


def test_a_source_of_an_upload_shows_what_it_is_drawn_from(studio: Caller) -> None:
    digest = upload(studio)["digest"]
    curve = {"asked": [0, 0.5, 1], "printed": [0, 0.7, 1]}
    shown = studio.create("sources", source(upload=digest, method="diffusion", curve=curve))
    assert (shown["upload"], shown["method"], shown["curve"]) == (digest, "diffusion", curve)
    assert studio.get("sources/photo").json() == shown


@pytest.mark.parametrize(
    ("content", "fields", "field"),
    [
        (None, {}, "upload"),
        (None, {"upload": "0" * 64}, "upload"),
        (None, {"upload": 7}, "upload"),
        (b"GIF89a", {}, "upload"),
        (PNG[:40], {}, "upload"),
        (SQUARE, {"picture": {"kind": "stars"}}, "upload"),
        (PNG, {"picture": {"kind": "map", "data": "upload"}}, "upload"),
        (PNG, {"method": "mosaic"}, "method"),
        (PNG, {"curve": {"asked": [0, 1], "printed": [0, 0.9]}}, "curve.printed"),
    ],
)
def test_a_source_that_cannot_be_printed_is_refused_by_field(
    studio: Caller, content: bytes | None, fields: dict[str, Any], field: str
) -> None:
    given = {} if content is None else {"upload": upload(studio, content)["digest"]}
    told = problem(studio.post("sources", source(**(given | fields))), 422)
    assert told["field"].startswith(field) and told["remedy"]
    assert not events().exists()


def test_a_run_of_a_picture_that_does_not_fit_is_refused_by_field(studio: Caller) -> None:
    for resource, body in (("venues", VENUE), ("profiles", PROFILE), ("machines", MACHINE)):
        studio.create(resource, body)
    studio.create("sources", source(picture={"kind": "moon", "diameter_mm": 60.0}))
    run = {
        "id": "full",
        "machine": "wren-1",
        "source": "photo",
        "cycle": "lunar-day",
        "starts_at": "2026-03-20T12:00:00Z",
        "ends_at": "2026-03-23T12:00:00Z",
        "policy": {"kind": "skip"},
    }
    told = problem(studio.post("runs", run), 422)
    assert (told["field"], "40" in told["remedy"]) == ("source.diameter_mm", True)
