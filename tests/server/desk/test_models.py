"""Models and machines on the pages: what follows from numbers, versions, and what stands where."""

from __future__ import annotations

import re
from typing import Any

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from machines.model.profile import Profile as MachineProfile
from scheduling.log.models import Machine, Profile
from server.desk.model_drawing import drawn
from server.desk.model_words import follows, number, paces
from server.desk.models import ModelFields, NewModelForm
from server.desk.order_form import without_nulls
from server.desk.starting_models import STARTING_MODELS
from tests.server.desk.pages import kept, looked, shown, signed_in
from tests.server.studio import FAR_VENUE, MACHINE, PROFILE, VENUE, Caller, changed

PLOVER: dict[str, Any] = STARTING_MODELS["plover"][1]
LINNET: dict[str, Any] = STARTING_MODELS["linnet"][1]


@pytest.fixture
def person(studio: Caller) -> Client:
    return signed_in()


@pytest.fixture
def with_wren(person: Client, studio: Caller) -> Client:
    for resource, body in (("venues", VENUE), ("venues", FAR_VENUE), ("profiles", PROFILE), ("machines", MACHINE)):
        studio.create(resource, body)
    return person


def model(numbers: dict[str, Any]) -> MachineProfile:
    form = NewModelForm({name: str(value) for name, value in numbers.items()})
    assert form.is_valid(), form.errors
    return MachineProfile.from_json(without_nulls(ModelFields.said(form)["profile"]))


@pytest.mark.parametrize("start", STARTING_MODELS)
def test_each_starting_model_can_follow_the_fastest_day(start: str) -> None:
    profile = model(STARTING_MODELS[start][1])
    assert all(one.catching_up not in ("too slow for it", "none") for one in paces(profile))
    assert dict(follows(profile))["A roll"].startswith(number(profile.media.roll_m))


def test_what_follows_is_reckoned_from_the_numbers() -> None:
    told = {what: said.replace("\u00a0", " ") for what, said in follows(model(PLOVER))}
    # 480 mm in 86,164.1 s; 80 mm an hour is 3.99 times that: 60 / 2.99 min.
    assert told["Paper in an hour"].startswith("20.1 mm (sidereal day")
    assert told["Speed left"].startswith("3.99 times") and "20 min later" in told["Speed left"]
    assert told["A burst"] == "14 columns, 8 mm of paper; by a day, one every 24 min"
    assert told["Dots"] == "44.5 an inch along the paper, 44.5 across"
    assert told["In the controller"] == "560 bytes for a burst, at a bit a dot"
    assert told["A roll"] == "50 m: 104 turns"
    # 840 x 315 dots of 3 drops of 10 pl.
    assert told["Ink of a solid turn"].startswith("0.00794 ml; a cartridge prints 5,039")


def test_one_that_cannot_follow_a_day_is_told_so() -> None:
    told = dict(follows(model(PLOVER | {"highest": 15})))
    assert "cannot follow a day" in told["Speed left"]
    assert [one.catching_up for one in paces(model(PLOVER | {"highest": 15}))][:2] == ["too slow for it"] * 2


def test_it_is_drawn_to_scale_and_the_other_way_round() -> None:
    right, left = drawn(model(PLOVER)), drawn(model(PLOVER | {"travel": "left"}))
    scale = right.paper.width / 60  # to the knife
    assert right.burst.width == pytest.approx(8 * scale, abs=0.2) and right.height == pytest.approx(
        210 * scale, rel=0.01
    )
    assert right.head.x == 0 and left.head.x + left.head.width == 1000
    assert right.knife is not None and left.knife == pytest.approx(1000 - right.knife, abs=0.1)
    assert drawn(model(LINNET)).knife is None and "wound up" in drawn(model(LINNET)).caption


@pytest.mark.parametrize(
    ("value", "said"), [(0.0, "0"), (1e-7, "less than 0.0001"), (0.05, "0.05"), (123456.0, "123,456")]
)
def test_no_number_has_an_exponent(value: float, said: str) -> None:
    assert number(value) == said


def test_a_new_model_starts_from_one_and_is_seen_before_it_is_there(person: Client) -> None:
    assert 'value="Plover"' in shown(person, "/profiles/new?start=plover")
    page, body = looked(person, "/profiles/new", PLOVER)
    assert "machines can be of it" in page and "3.99 times a day&#x27;s pace" in page and not Profile.objects.exists()
    after = shown(person, "/profiles/new", body)
    assert "Plover is added." in after and "By each cycle" in after and "Version 1" in after
    assert Profile.objects.get(pk="plover").data["head"]["idle_firing"] == {"drops": 40, "every_s": 3600.0}
    assert "480 mm a turn, 180 mm wide; carriage, cut" in shown(person, "/profiles")


def test_of_a_line_head_nothing_of_a_carriage_is_kept(person: Client) -> None:
    kept(person, "/profiles/new", PLOVER | LINNET)
    said = Profile.objects.get(pk="linnet").data
    assert said["head"] == {"kind": "line", "dot_current_a": 0.03, "supply_current_a": 2.0, "strobe_s": 0.002}
    assert said["knife"] is None


def test_what_the_chosen_head_needs_is_asked_for_beside_it(person: Client) -> None:
    page = shown(person, "/profiles/new", PLOVER | {"drop": "", "nozzles": "0"})
    assert 'id="id_drop_error"' in page
    page = shown(person, "/profiles/new", PLOVER | {"nozzles": "0"})
    assert 'id="id_nozzles_error"' in page and "give 1 to 4096" in page and 'value="Plover"' in page
    page = shown(person, "/profiles/new", PLOVER | {"idle_every": ""})
    assert 'id="id_idle_every_error"' in page


def test_a_model_is_changed_as_a_new_version_and_both_are_shown(with_wren: Client) -> None:
    page = shown(with_wren, "/profiles/wren/change")
    stands = dict(re.findall(r'<input type="(?:number|text)" name="(\w+)" value="([^"]*)"', page))
    stands |= {"head": "line", "end": "cut", "travel": "right", "highest": "60", "reason": "a stronger motor"}
    page, body = looked(with_wren, "/profiles/wren/change", stands)
    assert "This is version 2 of Wren: new runs are printed by it." in page
    assert "<td>30</td><td>60</td>" in page and "Speed left" in page
    after = shown(with_wren, "/profiles/wren/change", body)
    assert "Version 2" in after and "Highest speed, mm an hour: 30 → 60" in after and "a stronger motor" in after
    assert Profile.objects.get(pk="wren").data["head"]["kind"] == "line"


def test_a_head_of_another_kind_takes_the_place_of_the_old_one(person: Client, studio: Caller) -> None:
    studio.create("profiles", PROFILE)
    body = PLOVER | {"end": "wound", "cartridge": ""}
    kept(person, "/profiles/wren/change", body)
    said = Profile.objects.get(pk="wren").data
    assert said["head"]["kind"] == "carriage" and "dot_current_a" not in said["head"] and said["knife"] is None
    assert said["head"]["cartridge_ml"] is None


def test_what_paper_is_measured_by_is_refused_beside_its_number_in_words(person: Client, furnished: Caller) -> None:
    page = shown(person, "/profiles/wren/change", PLOVER)
    assert 'id="id_columns_error"' in page and "mm_per_turn" not in page
    told = page.partition('id="id_columns_error"')[2].partition("</p>")[0]
    assert "measured by columns in a turn and length of a turn and dots in a column" in told
    assert "kind of head" in told and "add another profile" in told
    furnished.create("profiles", changed(PROFILE, "profile.mm_per_turn", 90.0) | {"id": "owl"})
    page = shown(person, "/machines/wren-1/change", {"name": "Wren 1", "venue": "quay", "profile": "owl"})
    assert 'id="id_profile_error"' in page and "measured by other length of a turn" in page


def test_another_like_one_has_its_numbers(with_wren: Client) -> None:
    page = shown(with_wren, "/profiles/new?like=wren")
    assert 'value="Wren, otherwise"' in page and 'value="360"' in page
    assert '<input type="radio" name="head" value="line" required id="id_head_1" checked>' in page


def test_a_machine_is_added_at_a_venue_of_a_model(with_wren: Client) -> None:
    assert '<option value="wren" selected>Wren</option>' in shown(with_wren, "/machines/new?profile=wren")
    said = {"name": "Wren two", "venue": "shed", "profile": "wren"}
    page, body = looked(with_wren, "/machines/new", said)
    assert "Wren two is added. It stands at The Boat Shed, and is a Wren." in page
    assert "<td>The Boat Shed</td>" in page and Machine.objects.count() == 1
    after = shown(with_wren, "/machines/new", body)
    assert "Wren two is added." in after and "The Boat Shed" in after and "no node yet" in after
    assert "The Boat Shed; Wren; no board yet" in shown(with_wren, "/machines")
    assert "Wren two" in shown(with_wren, "/profiles/wren")


def test_a_machine_and_a_venue_lead_to_what_belongs_to_them(person: Client, furnished: Caller) -> None:
    page = shown(person, "/machines/wren-1")
    assert '<a href="/runs/spring">Land</a>' in page
    assert "12:00 on Fri 20 Mar 2026 to 12:00 on Mon 23 Mar 2026" in page and "Europe/Lisbon" in page
    assert '<option value="wren-1" selected>' in shown(person, "/runs/new?machine=wren-1")
    page = shown(person, "/venues/quay")
    assert '<a href="/machines/wren-1">Wren 1</a>' in page
    assert '<option value="quay" selected>Quay House</option>' in shown(person, "/machines/new?venue=quay")
    reader = signed_in("reader")
    for path in ("/machines/wren-1", "/venues/quay", "/profiles/wren"):
        assert "s/new" not in shown(reader, path), path


def test_a_machine_moves_and_its_history_says_it_by_name(with_wren: Client) -> None:
    page, body = looked(with_wren, "/machines/wren-1/change", {"name": "Wren 1", "venue": "shed", "profile": "wren"})
    assert "It stands at The Boat Shed from now on" in page and "<td>Quay House</td><td>The Boat Shed</td>" in page
    after = shown(with_wren, "/machines/wren-1/change", body)
    assert "Where it stands: Quay House → The Boat Shed" in after


def test_a_machine_is_put_away_and_what_is_put_away_is_not_offered(with_wren: Client) -> None:
    kept(with_wren, "/machines/wren-1/retire", {})
    page = shown(with_wren, "/machines/wren-1")
    assert "Machine put away" in page and "Take back" in page and "/now" not in page
    kept(with_wren, "/profiles/wren/retire", {})
    assert '<option value="wren"' not in shown(with_wren, "/machines/new")


def test_what_was_measured_is_said_with_units(with_wren: Client, studio: Caller) -> None:
    assert "Nothing yet: it is taken to be as its model says." in shown(with_wren, "/machines/wren-1")
    studio.put("machines/wren-1/calibration", {"feed_factor": 0.9954, "head_to_knife_mm": 21.5})
    page = shown(with_wren, "/machines/wren-1")
    assert "0.9954" in page and "21.5 mm" in page


@pytest.mark.parametrize("path", ["/machines", "/profiles", "/venues/quay", "/profiles/wren"])
def test_a_page_asks_as_often_for_many_machines_as_for_one(with_wren: Client, studio: Caller, path: str) -> None:
    def asked() -> int:
        with CaptureQueriesContext(connection) as queries:
            shown(with_wren, path)
        return len(queries)

    asked()
    of_one = asked()
    for place in range(2, 8):
        studio.create("machines", changed(MACHINE, "id", f"wren-{place}"))
        studio.create("profiles", PROFILE | {"id": f"wren-{place}"})
    assert asked() == of_one


def test_nobody_looks_at_a_proof_who_is_not_signed_in(with_wren: Client) -> None:
    assert Client().get("/machines/wren-1/proof.png").status_code == 302
    assert with_wren.get("/machines/wren-1/proof.png").status_code == 404  # nothing was printed


@pytest.mark.parametrize("field", ["turn", "width", "highest", "paper", "roll", "drop", "knife"])
@pytest.mark.parametrize("number", ["1e308", "5e-324"])
def test_numbers_that_nothing_can_be_reckoned_of_are_no_mistake_of_ours(
    person: Client, field: str, number: str
) -> None:
    page = shown(person, "/profiles/new", PLOVER | {field: number})
    assert "That means" in page or 'class="wrong"' in page
    if keep := re.search(r'name="keep" value="([^"]+)"', page):
        shown(person, "/profiles/new", PLOVER | {field: number, "keep": keep[1]})
        assert Profile.objects.exists()
    assert person.get("/profiles").status_code == 200
