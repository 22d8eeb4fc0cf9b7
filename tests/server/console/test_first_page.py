"""The console without a browser: what it says, its pictures, and fixing an opening."""

from __future__ import annotations

import io
from datetime import timedelta
from typing import Any

import numpy as np
import pytest
from django.contrib.auth.models import User
from django.http import HttpResponse
from django.test import Client
from PIL import Image

import server.console.overview
from scheduling.log.models import Event, Heartbeat, Machine, Opening, PrintedStretch
from scheduling.paper.printed_paper import laid_on, length_at, seams
from server import jobs, wiring
from server.console import pictures
from server.console.formatting import NO_BREAK
from server.console.hours import doors
from server.console.overview import overview
from tests.server.api.test_node_calls import work_of
from tests.server.studio import FAR_VENUE, IN_ORDER, OPENING, VENUE, Caller, HeldClock, printed


def page(path: str = "/", client: Client | None = None) -> str:
    response = (client or Client()).get(path)
    assert response.status_code == 200, response.content
    return response.content.decode().replace(NO_BREAK, " ")


def test_an_empty_console_says_what_to_do_first(db: None, clock: HeldClock) -> None:
    assert "No venue yet" in page()


def test_the_console_shows_every_venue_with_its_own_time(printing: Caller, clock: HeldClock) -> None:
    shown = page()
    now = clock.at
    assert "Quay House" in shown and "The Boat Shed" in shown
    assert "Europe/Lisbon, UTC+0" in shown and "Pacific/Chatham, UTC+13:45" in shown
    assert f'<span class="time">{now:%H:%M}</span>' in shown
    assert f'<span class="time">{now + timedelta(hours=13, minutes=45):%H:%M}</span>' in shown
    assert "The Sun is up; it sets at" in shown and "The Sun is down; it rises at" in shown


def test_the_console_shows_what_is_printed_now(printing: Caller, clock: HeldClock) -> None:
    (station,) = [one for hall in overview(wiring.now()).halls for one in hall.stations]
    assert station.state == "printing"
    assert station.printing is not None and station.printing.due is not None
    assert (station.printing.segment, station.printing.due.turn, station.printing.turns) == (19, 1, 4)
    # Noon in the mean Sun's cycle is Greenwich noon, and the Sun then stands over Greenwich; 15 degrees west an hour.
    hours = (clock.at - clock.at.replace(hour=12, minute=0, second=0)).total_seconds() / 3600
    degrees = float(station.printing.due.means.removeprefix("the mean Sun over ").split("°")[0])
    assert degrees == pytest.approx(15 * hours, abs=1.1)  # a column is a degree
    assert station.printing.due.x == pytest.approx(1000 * (180 - degrees) / 360, abs=3.0)
    assert "1 machine: 1 printing; no open notices" in page()
    assert "the mean Sun over" in page()


def test_what_a_board_told_again_is_shown_for_a_week_and_is_no_open_notice(printing: Caller, clock: HeldClock) -> None:
    entry = {"kind": "knife-armed", "seq": 7, "at": clock.at.isoformat()}
    body = {"epoch": 1, "entries": [entry], "again": {"first": 3, "through": 7}}
    assert printing.post("node/reports", body).status_code == 200
    assert "Wren 1</strong> its board told again 5 entries from 2026-03-2" in page()
    assert "no open notices" in page()
    clock.at += timedelta(days=8)
    assert "told again" not in page()


def test_a_machine_that_was_never_heard_is_not_said_to_print(furnished: Caller, clock: HeldClock) -> None:
    clock.at += timedelta(hours=12)
    (station,) = [one for hall in overview(wiring.now()).halls for one in hall.stations]
    assert station.printing is not None and station.printing.due is not None
    assert "1 machine: 0 printing" in page()
    jobs.watch()
    shown = page()
    assert "1 machine: 0 printing, 1 never heard; 1 open notice" in shown
    assert "never heard, and a run is due; somebody must look" in shown
    assert "<dt>Knife</dt><dd>not known</dd>" in shown
    assert "a run is due on it since 2026-03-20 12:00 UTC, and it was never heard" in shown


def test_a_machine_that_was_stopped_in_order_is_not_said_to_print(printing: Caller, clock: HeldClock) -> None:
    stopped = {"kind": "node-stopped", "seq": 7, "at": clock.at.isoformat()}
    printing.post("node/reports", {"epoch": 1, "entries": [stopped]})
    shown = page()
    assert "1 machine: 0 printing, 1 ended in order; no open notices" in shown
    assert "Due under the head" in shown and 'class="station silent needed"' in shown
    assert f"its board was ended in order at {clock.at:%H:%M}" in shown
    again = {"kind": "node-started", "seq": 8, "at": clock.at.isoformat(), "unplanned_stop": False}
    printing.post("node/reports", {"epoch": 1, "entries": [again]})
    assert "1 machine: 1 printing; no open notices" in page()


def test_a_knife_that_was_armed_when_its_board_was_ended_is_not_said_to_be_armed_but_to_come_back_so(
    printing: Caller, clock: HeldClock
) -> None:
    at = clock.at.isoformat()
    printing.post("node/reports", {"epoch": 1, "entries": [{"kind": "knife-armed", "seq": 7, "at": at}]})
    assert "<dd>armed</dd>" in page()
    printing.post("node/reports", {"epoch": 1, "entries": [{"kind": "node-stopped", "seq": 8, "at": at}]})
    assert "<dd>at rest; armed again when its board begins</dd>" in page()


def test_a_head_that_is_late_is_shown_where_it_is(printing: Caller, clock: HeldClock) -> None:
    told = Heartbeat.objects.get().status
    clock.at += timedelta(hours=1)
    printing.post("node/reports", {"epoch": 1, "entries": [], "status": told | {"at": clock.at.isoformat()}})
    assert "printing late, catching up" in page()


def test_a_head_that_was_heard_of_a_while_ago_is_not_late_for_that(printing: Caller, clock: HeldClock) -> None:
    clock.at += timedelta(hours=1)
    assert "printing late" not in page()


def test_a_silent_machine_may_be_printing_on(printing: Caller, clock: HeldClock) -> None:
    clock.at += timedelta(hours=1)
    jobs.watch()
    shown = page("/overview")
    assert "silent; it may be printing on" in shown
    assert "1 machine: 0 printing, 1 silent; 1 open notice" in shown
    assert "1 h ago" in shown


def test_the_paper_shows_what_was_laid_and_hatches_the_gap(printing: Caller) -> None:
    response = Client().get("/machines/wren-1/paper.png")
    assert response["Content-Type"] == "image/png"
    image = np.asarray(Image.open(io.BytesIO(response.content)))
    height, width, _ = image.shape
    assert (width, height) == (960, 320)
    stretches = list(PrintedStretch.objects.order_by("paper_position"))
    fed = stretches[-1].paper_position + stretches[-1].end_column - stretches[-1].first_column
    alpha, shade = image[0, :, 3], image[:, :, :3].astype(int)
    # The paper moves right: the newest column is at the left end, and where there was no paper yet it is clear.
    edge = round(width * fed / 360)
    assert alpha[: edge - 4].min() == 255 and alpha[edge + 4 :].max() == 0
    gap_colour = np.abs(shade - np.array(pictures.GAP)).sum(axis=2) < 30
    hatched = np.flatnonzero(gap_colour.any(axis=0))
    gap_from, gap_to = stretches[-2].paper_position + 15, stretches[-1].paper_position
    assert hatched.min() == pytest.approx(width * (fed - gap_to) / 360, abs=4)
    assert hatched.max() == pytest.approx(width * (fed - gap_from) / 360, abs=4)
    again = Client().get("/machines/wren-1/paper.png", HTTP_IF_NONE_MATCH=response["ETag"])
    assert again.status_code == 304


def test_the_paper_shows_a_seam_where_columns_were_left_out_and_the_paper_did_not_wait(
    node: Caller, furnished: Caller, clock: HeldClock
) -> None:
    work = work_of(node)
    clock.at += timedelta(hours=12)
    first, _, third = (segment.end_column - segment.first_column for segment in work.segments[:3])
    second = printed(work, 3) | {"seq": 2, "paper_position": first}  # the second segment is left out
    node.post("node/reports", {"epoch": 1, "entries": [printed(work, 1), second]})
    length = length_at(Machine.objects.get(), None, 360)
    assert length is not None
    assert seams(length) == (first,)
    assert laid_on(length).sum() == length.columns == first + third
    image = np.asarray(Image.open(io.BytesIO(Client().get("/machines/wren-1/paper.png").content)))
    red = np.abs(image[:, :, :3].astype(int) - np.array(pictures.GAP)).sum(axis=2) < 30
    assert np.flatnonzero(red.all(axis=0)).mean() == pytest.approx(960 * third / 360, abs=3)


def test_paper_is_drawn_anew_only_when_it_looks_otherwise(printing: Caller) -> None:
    pictures.drawn.cache_clear()
    first, again = (Client().get("/machines/wren-1/paper.png").content for _ in range(2))
    assert first == again and pictures.drawn.cache_info().misses == 1
    stretch = PrintedStretch.objects.order_by("paper_position").last()
    assert stretch is not None
    stretch.delete()
    assert Client().get("/machines/wren-1/paper.png").content != first
    assert pictures.drawn.cache_info().misses == 2


def test_paper_whose_plate_is_gone_is_not_found(printing: Caller) -> None:
    pictures.drawn.cache_clear()
    for file in wiring.plates().place.rglob("*.png"):
        file.unlink()
    assert Client().get("/machines/wren-1/paper.png").status_code == 404


def test_a_plate_is_shown_as_a_viewer_sees_it(printing: Caller, furnished: Caller) -> None:
    (digest,) = {segment["plate"] for segment in furnished.get("runs/spring/segments").json()["results"]}
    response = Client().get(f"/machines/wren-1/plates/{digest}.png")
    assert "immutable" in response["Cache-Control"]
    shown = np.asarray(Image.open(io.BytesIO(response.content)).convert("L")) < 128
    dots = wiring.plates().get(digest).dots
    # West is left: more of the land lies in the right half (Africa, Asia, Australia) than in the left (the Americas).
    half = shown.shape[1] // 2
    assert shown[:, half:].mean() > 1.2 * shown[:, :half].mean()
    assert shown.mean() == pytest.approx(dots.mean(), abs=0.03)
    assert Client().get(f"/machines/wren-1/plates/{'0' * 64}.png").status_code == 404
    assert Client().get(f"/machines/nobody/plates/{digest}.png").status_code == 404


def test_a_machine_that_has_printed_nothing_has_no_paper(furnished: Caller) -> None:
    assert Client().get("/machines/wren-1/paper.png").status_code == 404
    assert Client().get("/machines/nobody/paper.png").status_code == 404
    assert "Nothing on its paper yet" in page()


def test_openings_are_shown_by_every_clock(printing: Caller) -> None:
    (opening,) = overview(wiring.now()).openings
    assert [(there.venue, there.time, there.is_own) for there in opening.everywhere] == [
        ("Quay House", "19:00", True),
        ("The Boat Shed", "08:45", False),
    ]
    assert opening.named == "2026-03-21 19:00 by the clock of Europe/Lisbon"


def test_an_opening_at_a_venue_that_came_while_the_page_was_read_waits_for_the_next(
    furnished: Caller, clock: HeldClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = len(overview(wiring.now()).openings)

    def meanwhile(*asked: Any) -> str:
        monkeypatch.setattr(server.console.overview, "doors", doors)
        furnished.create("venues", VENUE | {"id": "barn", "name": "Barn"})
        furnished.create("openings", OPENING | {"id": "in-the-barn", "venue": "barn"})
        return doors(*asked)

    monkeypatch.setattr(server.console.overview, "doors", meanwhile)
    assert [len(overview(wiring.now()).openings) for _ in range(2)] == [before, before + 1]


def test_nothing_on_a_page_comes_from_elsewhere(printing: Caller) -> None:
    response = Client().get("/")
    assert "default-src 'self'" in response["Content-Security-Policy"]
    body = response.content.decode()
    assert "http://" not in body and "https://" not in body and " style=" not in body


@pytest.mark.parametrize(
    "path",
    [
        "/",
        "/overview",
        "/openings/new",
        "/venues/quay/today",
        "/venues/quay/hours",
        "/venues/quay/service-windows",
        "/machines/wren-1/now",
    ],
)
def test_what_somebody_calls_something_is_text_on_every_page(studio: Caller, path: str) -> None:
    for resource, body in IN_ORDER:
        studio.create(resource, body | {"name": HOSTILE} if "name" in body else body)
    assert jobs.extend() > 0
    browser = Client()
    browser.force_login(User.objects.create_superuser("ada", password=None))
    shown = browser.get(path).content.decode()
    assert "&lt;script&gt;" in shown and "&quot;" in shown
    assert "<script>alert" not in shown and "{{ 7*7 }}" in shown


@pytest.mark.parametrize("path", ["/", "/overview", "/machines/wren-1/paper.png"])
def test_pages_are_only_read(db: None, path: str) -> None:
    assert Client().post(path).status_code in (403, 405)


HOSTILE = """</title>\"><script>alert(1)</script>{{ 7*7 }}"""
FORM: dict[str, Any] = {
    "name": "Late night",
    "id": "late-night",
    "venue": "quay",
    "by": "clock",
    "civil": "2026-10-24T23:30",
}


@pytest.fixture
def person(furnished: Caller) -> Client:
    client = Client()
    client.force_login(User.objects.create_superuser("somebody"))
    return client


def send(person: Client, **changes: Any) -> HttpResponse:
    return person.post("/openings/new", FORM | changes)


def test_fixing_an_opening_needs_a_person(furnished: Caller) -> None:
    for response in (Client().get("/openings/new"), Client().post("/openings/new", FORM | {"fix": "yes"})):
        assert (response.status_code, response["Location"]) == (302, "/sign-in?next=/openings/new")
    assert Opening.objects.count() == 1


def test_a_form_from_elsewhere_is_refused(person: Client) -> None:
    strict = Client(enforce_csrf_checks=True)
    strict.cookies = person.cookies
    assert strict.post("/openings/new", FORM | {"fix": "yes"}).status_code == 403


def test_seeing_what_it_means_writes_nothing(person: Client, furnished: Caller) -> None:
    furnished.create("venues", FAR_VENUE)
    events = Event.objects.count()
    shown = send(person).content.decode()
    assert "Fix this opening" in shown
    assert '<span class="time">23:30</span>' in shown and '<span class="time">12:15</span>' in shown
    assert "2026-10-24 22:30:00 UTC" in shown
    assert Event.objects.count() == events


def test_fixing_writes_it_under_the_person(person: Client) -> None:
    response = send(person, fix="yes")
    assert (response.status_code, response["Location"]) == (302, "/")
    opening = Opening.objects.get(id="late-night")
    assert opening.anchor == {"civil": "2026-10-24T23:30", "zone": "Europe/Lisbon"}
    event = Event.objects.get(stream="opening/late-night")
    assert event.actor == f"user:{User.objects.get().pk}"
    assert event.request == response["X-Request-Id"]
    assert "Late night is fixed." in page("/", person)


def test_by_the_sky(person: Client) -> None:
    send(person, by="sky", event="sunset", date="2026-06-21", minutes="40", side="before", fix="yes")
    anchor = Opening.objects.get(id="late-night").anchor
    assert anchor == {"event": "sunset", "date": "2026-06-21", "offset": "-PT40M"}


@pytest.mark.parametrize(
    ("civil", "first", "second"),
    [
        ("2026-10-25T01:30", "2026-10-25 01:30 WEST (+0100)", "2026-10-25 01:30 WET (+0000)"),  # comes twice
        ("2026-03-29T01:30", "2026-03-29 00:30 WET (+0000)", "2026-03-29 02:30 WEST (+0100)"),  # never comes
    ],
)
def test_a_time_with_two_readings_or_none_is_refused_with_both(
    person: Client, civil: str, first: str, second: str
) -> None:
    shown = send(person, civil=civil, fix="yes").content.decode()
    assert f"The earlier: {first}" in shown and f"The later: {second}" in shown
    assert "Fix this opening" not in shown
    assert Opening.objects.count() == 1
    send(person, civil=civil, which="later", fix="yes")
    assert Opening.objects.get(id="late-night").anchor["which"] == "later"


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"name": ""}, "name"),
        ({"name": "x" * 121}, "name"),
        ({"id": "Late Night"}, "id"),
        ({"id": "first-night"}, "id"),
        ({"venue": "nowhere"}, "venue"),
        ({"civil": ""}, "civil"),
        ({"civil": "soon"}, "civil"),
        ({"civil": "1492-01-01T00:00"}, "civil"),
        ({"zone": "Lisbon"}, "zone"),
        ({"by": "sky", "date": ""}, "date"),
        ({"by": "sky", "date": "2026-02-30"}, "date"),
        ({"by": "sky", "date": "2026-06-21", "event": "tea"}, "event"),
        ({"by": "sky", "date": "2026-06-21", "minutes": "-1"}, "minutes"),
        ({"by": "sky", "date": "2026-06-21", "minutes": "many"}, "minutes"),
    ],
)
def test_what_is_wrong_stands_beside_its_field(person: Client, changes: dict[str, Any], field: str) -> None:
    response = send(person, **changes, fix="yes")
    assert response.status_code == 200
    assert f'id="wrong-{field}"' in response.content.decode()
    assert Opening.objects.count() == 1


def test_signing_in_and_out(person: Client) -> None:
    User.objects.create_user("ada", password="a long password of hers")
    client = Client()
    wrong = client.post("/sign-in", {"username": "ada", "password": "guess"})
    assert wrong.status_code == 200 and 'role="alert"' in wrong.content.decode()
    signed_in = client.post(
        "/sign-in", {"username": "ada", "password": "a long password of hers", "next": "/openings/new"}
    )
    assert signed_in["Location"] == "/openings/new"
    elsewhere = client.post(
        "/sign-in", {"username": "ada", "password": "a long password of hers", "next": "https://example.org/"}
    )
    assert elsewhere["Location"] == "/"
    assert client.post("/sign-out")["Location"] == "/"
    assert client.get("/openings/new").status_code == 302
