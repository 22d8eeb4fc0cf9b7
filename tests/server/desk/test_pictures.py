"""Pictures on the pages: drawn beside the form, sent with a file, added, changed, and looked at on paper."""

from __future__ import annotations

import hashlib
import io
import re
from typing import Any

import numpy as np
import pytest
from django.contrib.auth.models import User
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from PIL import Image

from machines.imaging.pictures import PICTURE_KINDS
from scheduling.log.models import Profile, Source
from scheduling.queries.names import find
from server.accounts.models import PersonRole
from server.desk.picture_fields import KINDS, LABELS, parameters_of
from tests.server.desk.pages import hidden, kept, looked, shown
from tests.server.desk.test_runs import changing
from tests.server.studio import IN_ORDER, SOURCE, Caller, changed


@pytest.fixture
def person(studio: Caller) -> Client:
    for resource, body in IN_ORDER[:5]:
        studio.create(resource, body)
    client = Client()
    client.force_login(User.objects.create_superuser("robin"))
    return client


def file(name: str = "wave.png", content: bytes | None = None, media_type: str = "image/png") -> SimpleUploadedFile:
    stream = io.BytesIO()
    Image.fromarray(np.tile(np.linspace(0, 255, 96, dtype=np.uint8), (48, 1))).save(stream, "PNG")
    return SimpleUploadedFile(name, stream.getvalue() if content is None else content, media_type)


def png(person: Client, address: str) -> Image.Image:
    answer = person.get(address.replace("&amp;", "&"))
    assert answer.status_code == 200, answer.content
    return Image.open(io.BytesIO(answer.content))


def test_whoever_is_not_signed_in_is_asked_to(person: Client) -> None:
    pictures = ("draft.png?kind=stars", "land/proof.png", "land/thumbnail.png", "land/dots.png?profile=wren")
    for path in ("", "/new", "/land", "/land/change", *(f"/{one}" for one in pictures)):
        assert Client().get(f"/sources{path}").headers["Location"].startswith("/sign-in?next=/sources")


def test_every_kind_of_picture_can_be_chosen() -> None:
    assert set(KINDS) == set(PICTURE_KINDS)


@pytest.mark.parametrize("kind", KINDS)
def test_each_kind_has_a_form_of_its_own_parameters(person: Client, kind: str) -> None:
    page = shown(person, f"/sources/new?kind={kind}")
    assert all(LABELS[one.path.rpartition(".")[2]].replace("'", "&#x27;") in page for one in parameters_of(kind))
    if kind == "image":
        assert "Choose its file, then press Draw it." in page
        return
    addresses = re.findall(r'src="(/sources/draft.png[^"]*)"', page)
    assert len(addresses) == 6
    if kind == "moon":  # of 60 mm, where nobody says how large
        assert "1 of 60 mm do not fit 120 by 40 mm" in page
        return
    assert png(person, addresses[0]).size == (360, 120)


def test_a_picture_is_seen_and_then_added(person: Client) -> None:
    body = changing(person, "/sources/new?kind=moon", name="The Moon", diameter_mm="20")
    page, body = looked(person, "/sources/new?kind=moon", body)
    assert "The Moon is added, as version 1: new runs can print it." in page and Source.objects.count() == 1
    assert "The Moon is added." in shown(person, "/sources/new?kind=moon", body)
    row = Source.objects.get(pk="the-moon")
    assert (row.picture["kind"], row.picture["diameter_mm"], row.method) == ("moon", 20.0, "blue-noise")


def test_a_file_is_sent_with_the_form_drawn_and_kept(person: Client) -> None:
    body = changing(person, "/sources/new?kind=image", name="A wave") | {"file": file()}
    page = shown(person, "/sources/new", body | {"draw": "yes"})
    assert 'value="A wave"' in page and Source.objects.count() == 1
    digest = hidden(page, "upload")
    seam = png(person, re.findall(r'src="(/sources/draft.png[^"]*show=seam)"', page)[0])
    row = np.asarray(seam)[seam.height // 2]
    assert abs(int(row[seam.width // 2 - 2]) - int(row[seam.width // 2 + 1])) > 150  # black meets white
    del body["file"]
    kept(person, "/sources/new?kind=image", body | {"upload": digest})
    assert Source.objects.get(pk="a-wave").upload == digest


def test_a_file_is_kept_though_another_field_is_wrong(person: Client) -> None:
    body = changing(person, "/sources/new?kind=image", name="") | {"file": file("wave <1>.png")}
    page = shown(person, "/sources/new", body)
    assert 'id="id_name_error"' in page and "kept: wave &lt;1&gt;.png, 1" in page
    body = body | {"upload": hidden(page, "upload"), "upload_said": hidden(page, "upload_said"), "name": "A wave"}
    del body["file"]
    page, body = looked(person, "/sources/new", body)
    assert "kept: wave" in page and 'id="id_file_error"' not in page
    shown(person, "/sources/new", body)
    assert Source.objects.get(pk="a-wave").upload == body["upload"]


def test_a_file_is_kept_though_a_change_is_wrong(person: Client) -> None:
    kept(person, "/sources/new", changing(person, "/sources/new?kind=map", name="Land of mine"))
    path = "/sources/land-of-mine/change"
    land = file("land.geojson", b'{"type":"FeatureCollection","features":[]}', "application/json")
    page = shown(person, path, changing(person, path, ink="2") | {"file": land})
    assert 'id="id_ink_error"' in page and "kept: land.geojson, 42" in page
    assert hidden(page, "upload") == hashlib.sha256(b'{"type":"FeatureCollection","features":[]}').hexdigest()


def test_a_large_file_is_kept_whole(person: Client) -> None:
    noise = np.random.default_rng(1).integers(0, 256, (1_600, 1_800), np.uint8)
    stream = io.BytesIO()
    Image.fromarray(noise).save(stream, "PNG", compress_level=0)
    body = changing(person, "/sources/new?kind=image", name="Noise") | {"file": file(content=stream.getvalue())}
    digest = hidden(shown(person, "/sources/new", body | {"draw": "yes"}), "upload")
    assert digest == hashlib.sha256(stream.getvalue()).hexdigest()


def test_the_list_asks_as_often_for_many_as_for_one(person: Client, studio: Caller) -> None:
    def asked() -> int:
        with CaptureQueriesContext(connection) as queries:
            shown(person, "/sources")
        return len(queries)

    asked()
    of_one = asked()
    for number in range(3):
        studio.create("sources", SOURCE | {"id": f"land-{number}"})
    assert asked() == of_one


def test_a_file_that_is_none_is_refused_and_what_was_typed_stays(person: Client) -> None:
    body = changing(person, "/sources/new?kind=image", name="A wave")
    page = shown(person, "/sources/new", body | {"file": file("wave.txt", b"no picture", "text/plain")})
    assert "Send a file as one of image/png" in page and 'value="A wave"' in page
    page = shown(person, "/sources/new", body | {"file": file(content=b"no picture")})
    assert 'id="id_file_error"' in page and Source.objects.count() == 1


def test_what_is_wrong_stands_beside_its_field_and_is_not_drawn(person: Client) -> None:
    body = changing(person, "/sources/new?kind=stars", name="Stars", ink="1.5")
    page = shown(person, "/sources/new?kind=stars", body)
    assert 'id="id_ink_error"' in page and 'value="1.5"' in page
    page = shown(person, "/sources/new?kind=stars", body | {"ink": "1", "curve": "0 0\nfifty"})
    assert "Give two numbers a line" in page and "It cannot be drawn as long as something is wrong." in page
    assert person.get("/sources/draft.png?kind=stars&ink=2").status_code == 422
    assert person.get("/sources/draft.png?kind=cats").status_code == 422


def test_a_change_is_a_version_and_a_wedge_is_undone(person: Client) -> None:
    body = changing(person, "/sources/land/change", ink="0.5", curve="0 0\n50 70\n100 100", reason="it was too heavy")
    page, body = looked(person, "/sources/land/change", body)
    assert "This is version 2 of Land: new runs print it." in page and "goes on with version 1" in page
    assert "<td>1</td><td>0.5</td>" in page and "What a printed wedge measured" in page
    page = shown(person, "/sources/land/change", body)
    assert page.count("it was too heavy") == 2 and "Version 2" in page and "Ink, 0 to 1: 1 → 0.5" in page
    row = Source.objects.get(pk="land")
    assert (row.version, row.curve) == (2, {"asked": [0.0, 0.5, 1.0], "printed": [0.0, 0.7, 1.0]})
    assert "50 70" in shown(person, "/sources/land/change")


def test_what_stands_as_it_is_is_no_change(person: Client) -> None:
    body = changing(person, "/sources/land/change")
    assert "It is so already" in shown(person, "/sources/land/change", body)


def test_its_page_shows_it_on_paper_with_what_the_api_says_of_its_seam(person: Client, studio: Caller) -> None:
    page = shown(person, "/sources/land")
    assert "no seam to be seen" in page and "Wren 1, from Fri 20 Mar 2026 on, version 1" in page
    assert png(person, "/sources/land/proof.png?profile=wren").width == 1600
    assert png(person, "/sources/land/one-to-one.png?profile=wren").size == (227, 151)
    assert png(person, "/sources/land/dots.png?profile=wren").size == (27, 14)
    assert png(person, "/sources/land/thumbnail.png").width == 480
    assert person.get("/sources/land/dots.png?profile=none").status_code == 404
    seam = np.asarray(png(person, "/sources/land/seam.png?profile=wren"))
    whole = np.asarray(png(person, "/sources/land/proof.png?profile=wren&view=true"))
    top = (whole.shape[0] - seam.shape[0]) // 2
    assert (seam[:, :45] == whole[top : top + seam.shape[0], -45:]).all()


def test_papers_are_called_by_the_names_of_models(person: Client, studio: Caller) -> None:
    assert '<option value="wren" selected>Wren</option>' in shown(person, "/sources/land")
    assert '<option value="wren" selected>Wren</option>' in shown(person, "/sources/land/change")
    studio.create("profiles", IN_ORDER[1][1] | {"id": "wren-b"})
    page = shown(person, "/sources/land?paper=wren-b")
    assert '<option value="wren-b" selected>Wren (wren-b)</option>' in page and ">Wren (wren)</option>" in page


def test_paper_of_too_many_dots_shows_it_small_and_says_so(person: Client, studio: Caller) -> None:
    large: Any = IN_ORDER[1][1]
    for path, value in (("profile.columns_per_turn", 20_000), ("profile.dots_across", 4_800)):
        large = changed(large, path, value)
    studio.create("profiles", changed(large, "profile.head.strobe_s", 0.00001) | {"id": "roc"})
    page = shown(person, "/sources/land?paper=roc")
    assert "it can be looked at only small" in page and "/sources/land/dots.png" not in page


def test_it_is_put_away_and_taken_back(person: Client) -> None:
    kept(person, "/sources/land/retire", {"reason": "it has been seen enough"})
    page = shown(person, "/sources/land")
    assert "Take back" in page and "Plan a run of it" not in page and "/sources/land/change" not in page
    kept(person, "/sources/land/take-back", {})
    assert "/runs/new?source=land" in shown(person, "/sources/land")
    assert '<option value="land" selected>' in shown(person, "/runs/new?source=land")


def test_a_reader_looks_and_is_offered_nothing(person: Client) -> None:
    reader = User.objects.create_user("reader")
    PersonRole.objects.create(person=reader, role="reader", venues=None)
    client = Client()
    client.force_login(reader)
    assert "Add one" not in shown(client, "/sources")
    page = shown(client, "/sources/land")
    assert "Plan a run of it" not in page and "/sources/land/change" not in page
    assert png(client, "/sources/land/proof.png?profile=wren").width == 1600
    assert client.post("/sources/new", {"kind": "image", "file": file()}).status_code in (200, 403)


def test_no_database_is_asked_for_what_it_cannot_hold(person: Client) -> None:
    with CaptureQueriesContext(connection) as queries:
        assert find(Profile, "wr\x00en") is None
    assert not queries.captured_queries
    assert find(Profile, "wren") is not None
    assert person.get("/sources/land/dots.png?profile=wr%00en").status_code == 404
    assert 'name="turn"' in shown(person, "/profiles/new?like=wr%00en")
