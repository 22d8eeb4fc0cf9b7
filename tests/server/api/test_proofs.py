"""Thumbnails and proofs over the API: what is asked for is what is drawn, and bad questions are refused by name."""

from __future__ import annotations

import io
import json
from datetime import timedelta
from typing import Any

import jsonschema
import numpy as np
import pytest
from django.http import HttpResponse
from PIL import Image

from machines.imaging.pictures import PICTURE_KINDS
from machines.imaging.plate import Plate
from machines.protocol.messages import Work
from scheduling.log.models import Segment
from server import wiring
from server.api import proofs
from server.api.uploads import MEDIA_TYPES
from tests.scheduling.rendering.test_render import ONE_OF_EACH, grey_png
from tests.server.api.test_bad_input import problem
from tests.server.api.test_uploads import source, upload
from tests.server.studio import Caller, HeldClock, printed


def picture(response: HttpResponse) -> Image.Image:
    assert response.status_code == 200, response.content
    assert response["Content-Type"] == "image/png"
    return Image.open(io.BytesIO(response.content), formats=["PNG"])


def dots(response: HttpResponse) -> np.ndarray:
    """As on the plate: paper that moves right shows later columns further left."""
    picture(response)
    return Plate.from_png(response.content).dots[:, ::-1]


def add_each(studio: Caller) -> None:
    for kind, (parameters, content) in ONE_OF_EACH.items():
        inner = {"map": parameters["map"] | {"kind": "map"}} if "map" in parameters else {}
        media_type = "image/png" if kind == "image" else "application/geo+json"
        given = {} if content is None else {"upload": upload(studio, content, media_type)["digest"]}
        shown = parameters | inner | {"kind": kind}
        studio.create("sources", {"id": kind, "name": kind, "picture": shown} | given)


def test_each_kind_of_source_has_a_thumbnail_and_a_proof(furnished: Caller) -> None:
    add_each(furnished)
    for kind in PICTURE_KINDS:
        assert picture(furnished.get(f"sources/{kind}/thumbnail.png")).size == (480, 240)
        assert picture(furnished.get(f"sources/{kind}/thumbnail.png?profile=wren&venue=quay")).size == (480, 160)
        view = picture(furnished.get(f"sources/{kind}/proof.png?profile=wren&venue=quay"))
        assert view.width == 1600 and view.height > 533  # 120 by 40 mm, and rulers
        true = picture(furnished.get(f"sources/{kind}/proof.png?profile=wren&view=true"))
        assert (true.size, true.mode) == ((360, 96), "1")


def test_a_proof_at_true_dots_is_the_plate_that_is_printed(furnished: Caller) -> None:
    (digest,) = set(Segment.objects.values_list("plate", flat=True))
    proof = furnished.get("sources/land/proof.png?profile=wren&cycle=mean-solar-day&view=true")
    assert np.array_equal(dots(proof), wiring.plates().get(digest).dots)


def test_dead_elements_and_slip_show_in_a_proof(furnished: Caller) -> None:
    where = "sources/land/proof.png?profile=wren&view=true"
    whole = dots(furnished.get(where))
    dead = dots(furnished.get(f"{where}&dead=40,41"))
    assert whole[40:42].any() and not dead[40:42].any()
    assert dots(furnished.get(f"{where}&slip=0.1")).shape[1] == pytest.approx(324, abs=1)


def test_another_instant_is_another_moon(furnished: Caller) -> None:
    furnished.create("sources", source(picture={"kind": "moon", "diameter_mm": 30.0}))
    where = "sources/photo/proof.png?profile=wren&venue=quay&view=true&at="
    new, full = (dots(furnished.get(f"{where}2026-03-{day}T12:00:00Z")) for day in ("19", "03"))
    # New Moon 2026-03-19 01:23 UT, full Moon 2026-03-03 11:38 UT: from memory.
    assert full.sum() > 3 * new.sum()


def test_what_hangs_at_a_machine_is_what_was_printed(furnished: Caller, node: Caller, clock: HeldClock) -> None:
    assert furnished.get("machines/wren-1/proof.png").status_code == 404
    work = Work.from_json(node.get("node/work").json())
    clock.at += timedelta(days=2)
    node.post("node/reports", {"epoch": 1, "entries": [printed(work, seq) for seq in range(1, 7)]})
    assert work.run is not None
    plate, end = wiring.plates().get(work.plates[0]), work.segments[5].end_column
    hanging = dots(furnished.get("machines/wren-1/proof.png?view=true"))
    assert np.array_equal(hanging, plate.running(end - 60, end))  # 20 mm of 3 columns a millimetre
    metre = dots(furnished.get("machines/wren-1/proof.png?view=true&show=last-metre"))
    assert np.array_equal(metre, plate.running(work.run.first_column, end))
    then = work.segments[4].knots[-1].isoformat().replace("+00:00", "Z")
    earlier = dots(furnished.get(f"machines/wren-1/proof.png?view=true&at={then}"))
    assert np.array_equal(earlier, plate.running(work.segments[4].end_column - 60, work.segments[4].end_column))
    width_px = 2000 * (end - work.run.first_column) / 3 / 40  # shorter than it is wide, so as high as is allowed
    assert picture(furnished.get("machines/wren-1/proof.png?show=last-metre")).width == round(width_px)


def test_the_proof_of_a_run_is_what_is_planned(furnished: Caller) -> None:
    run = furnished.get("runs/spring").json()
    plate = wiring.plates().get(Segment.objects.values_list("plate", flat=True)[0])
    metre = dots(furnished.get("runs/spring/proof.png?part=metre&view=true"))
    assert np.array_equal(metre, plate.running(run["first_column"], run["end_column"]))  # of 360 mm
    turn = dots(furnished.get("runs/spring/proof.png?at=2026-03-22T12:00:00Z&view=true"))
    assert np.array_equal(turn, plate.dots)
    assert picture(furnished.get("runs/spring/proof.png")).width == 1600


def test_the_geometry_of_a_run_fits_its_description(furnished: Caller) -> None:
    shown = furnished.get("runs/spring/geometry").json()
    description = json.loads(Caller().get("schema").content)
    operation = description["paths"]["/api/v1/runs/{id}/geometry"]["get"]
    schema = operation["responses"]["200"]["content"]["application/json"]["schema"]
    jsonschema.validate(shown, schema | {"components": description["components"]})
    assert shown["burst_in_words"] == "printed 4 minutes (1 degrees, 0.333 mm) at a time"
    assert shown["knife_rounding_mm"] == pytest.approx(0.0)


def test_the_seam_of_an_image_is_measured(furnished: Caller) -> None:
    ramp = np.tile(np.linspace(0, 255, 240).astype(np.uint8), (40, 1))
    stream = io.BytesIO()
    Image.fromarray(ramp).save(stream, "PNG")
    open_, flat = upload(furnished, stream.getvalue())["digest"], upload(furnished, grey_png())["digest"]
    furnished.create("sources", source(id="ramp", upload=open_))
    furnished.create("sources", source(id="shut", upload=open_, picture={"kind": "image", "blend_mm": 40.0}))
    furnished.create("sources", source(id="flat", upload=flat))

    def seam(id: str) -> Any:
        return furnished.get(f"sources/{id}/seam?profile=wren").json()

    assert seam("ramp")["visibility"] > 0.9 and "shows" in seam("ramp")["in_words"]
    assert seam("shut")["visibility"] < 0.05 * seam("ramp")["visibility"]
    assert seam("flat") == {"visibility": pytest.approx(0.0, abs=1e-6), "in_words": "no seam to be seen"}
    assert "faint" in proofs.seam_in_words(0.03)


BAD_QUERIES = [
    ("sources/land/proof.png", "profile"),
    ("sources/land/seam", "profile"),
    ("sources/land/proof.png?profile=robin", "profile"),
    ("sources/land/proof.png?profile=%00", "profile"),
    ("sources/land/proof.png?profile=wren&venue=nowhere", "venue"),
    ("sources/land/proof.png?profile=wren&view=sideways", "view"),
    ("sources/land/proof.png?profile=wren&cycle=fortnight", "cycle"),
    ("sources/land/proof.png?profile=wren&cycle=period", "cycle"),
    ("sources/land/proof.png?profile=wren&at=noon", "at"),
    ("sources/land/proof.png?profile=wren&at=2026-03-20T12:00:00", "at"),
    ("sources/land/proof.png?profile=wren&at=2826-03-20T12:00:00Z", "at"),
    ("sources/land/proof.png?profile=wren&dead=x", "dead"),
    ("sources/land/proof.png?profile=wren&dead=1,,2", "dead"),
    ("sources/land/proof.png?profile=wren&dead=96", "dead"),
    ("sources/land/proof.png?profile=wren&dead=%D9%A3", "dead"),
    ("sources/land/proof.png?profile=wren&slip=much", "slip"),
    ("sources/land/proof.png?profile=wren&slip=nan", "slip"),
    ("sources/land/proof.png?profile=wren&slip=0.9", "slip"),
    ("sources/land/proof.png?profile=wren&colour=red", "colour"),
    ("sources/land/thumbnail.png?profile=robin", "profile"),
    ("sources/land/thumbnail.png?at=noon", "at"),
    ("runs/spring/proof.png?part=all", "part"),
    ("runs/spring/proof.png?at=noon", "at"),
    ("runs/spring/proof.png?at=2027-03-20T12:00:00Z", "at"),
    ("runs/spring/proof.png?dead=96", "dead"),
    ("runs/spring/geometry?at=noon", "at"),
    ("machines/wren-1/proof.png?at=noon", "at"),
    ("machines/wren-1/proof.png?show=all", "show"),
    ("machines/wren-1/proof.png?view=sideways", "view"),
    ("machines/wren-1/proof.png?dead=96", "dead"),
    ("machines/wren-1/proof.png?slip=-2", "slip"),
]


@pytest.mark.parametrize(("path", "field"), BAD_QUERIES)
def test_a_bad_question_is_named(furnished: Caller, path: str, field: str) -> None:
    told = problem(furnished.get(path), 422)
    assert told["field"] == field and told["remedy"]


@pytest.mark.parametrize(
    "path", ["sources/nothing/thumbnail.png", "sources/nothing/proof.png?profile=wren", "machines/nobody/proof.png"]
)
def test_nothing_has_no_picture(furnished: Caller, path: str) -> None:
    assert problem(furnished.get(path), 404)["type"] == "about:blank"


def test_a_picture_that_does_not_fit_the_profile_is_refused_by_name(furnished: Caller) -> None:
    furnished.create("sources", source(picture={"kind": "moon", "diameter_mm": 60.0}))
    assert problem(furnished.get("sources/photo/proof.png?profile=wren"), 422)["field"] == "diameter_mm"


def test_only_the_studio_sees_proofs(furnished: Caller, node: Caller) -> None:
    for path in ("sources/land/thumbnail.png", "sources/land/proof.png?profile=wren", "machines/wren-1/proof.png"):
        assert Caller().get(path).status_code == 401
        assert node.get(path).status_code == 403


def test_nothing_hangs_where_there_is_no_knife(furnished: Caller) -> None:
    profile = furnished.get("profiles/wren").json()["profile"] | {"knife": None}
    furnished.create("profiles", {"id": "winder", "profile": profile})
    furnished.create("machines", {"id": "winder-1", "name": "W", "venue": "quay", "profile": "winder"})
    told = problem(furnished.get("machines/winder-1/proof.png?show=hanging"), 422)
    assert (told["field"], told["remedy"]) == ("show", "give last-metre")
    assert problem(furnished.get("machines/winder-1/proof.png"), 404)["type"] == "about:blank"


@pytest.mark.parametrize(
    ("path", "parameters"),
    [
        ("sources/{id}/thumbnail.png", {"profile", "cycle", "at", "venue"}),
        ("sources/{id}/proof.png", {"profile", "cycle", "at", "venue", "view", "dead", "slip"}),
        ("runs/{id}/proof.png", {"part", "at", "view", "dead", "slip"}),
        ("machines/{id}/proof.png", {"at", "show", "view", "dead", "slip"}),
    ],
)
def test_the_description_tells_of_pictures_and_their_questions(db: None, path: str, parameters: set[str]) -> None:
    operation = json.loads(Caller().get("schema").content)["paths"][f"/api/v1/{path}"]["get"]
    assert list(operation["responses"]["200"]["content"]) == ["image/png"]
    assert {one["name"] for one in operation["parameters"]} == parameters | {"id"}
    assert not any(one.get("required") for one in operation["parameters"] if one["in"] == "query")


def test_the_description_tells_of_uploads(db: None) -> None:
    description = json.loads(Caller().get("schema").content)
    operation = description["paths"]["/api/v1/uploads"]["post"]
    assert set(operation["requestBody"]["content"]) == set(MEDIA_TYPES)
    assert {"201", "403", "413", "415", "507"} <= set(operation["responses"])
    added = description["components"]["schemas"]["AddSource"]["properties"]
    assert {"upload", "method", "curve"} <= set(added)
