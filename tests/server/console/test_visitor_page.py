"""The page for visitors: what is printed now, when a place will be, and what they are told when something is amiss."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from django.test import Client

from machines.errors import InputError
from machines.model.profile import Profile
from machines.serialization import structure
from scheduling.log.models import Heartbeat, Machine, Run
from scheduling.queries.runs import run_instants
from server import jobs, wiring
from server.console.formatting import NO_BREAK
from server.console.place_search import Question, read
from tests.scheduling.house import run_timeline
from tests.server.api.test_node_calls import work_of
from tests.server.studio import FAR_VENUE, PROFILE, RUN, SOURCE, Caller, HeldClock, changed, printed

LONGITUDE = Question("longitude", "Longitude on the map", "Degrees.", "9.1° W")
HOURS = Question("hours", "Right ascension", "Hours.")
SHARE = Question("share", "How far along the turn", "Per cent.")


def page(query: str = "", machine: str = "wren-1", part: str = "now") -> str:
    response = Client().get(f"/machines/{machine}/{part}{query}")
    assert response.status_code == 200, response.content
    return response.content.decode().replace(NO_BREAK, " ")


def act(node: Caller, seq: int, action: str, at: datetime) -> None:
    entry = {"kind": "operator-acted", "seq": seq, "at": at.isoformat(), "action": action}
    assert node.post("node/reports", {"epoch": 1, "entries": [entry]}).status_code == 200


def another(studio: Caller, source: dict[str, Any], **run: Any) -> None:
    """A second machine beside the first, with a picture and a run of its own."""
    studio.create("machines", {"id": "wren-2", "name": "Wren 2", "venue": "quay", "profile": "wren"})
    studio.create("sources", SOURCE | {"id": "other"} | source)
    studio.create("runs", RUN | {"id": "other", "machine": "wren-2", "source": "other"} | run)


def test_what_is_printed_now(printing: Caller, clock: HeldClock) -> None:
    shown = page()
    assert "<h1>Land</h1>" in shown and "It is being printed now." in shown
    assert f"{clock.at:%H:%M} at Quay House; Europe/Lisbon, UTC+0" in shown
    assert "The line: where the head is now, the mean Sun over" in shown
    assert '<line class="due"' in shown and "/machines/wren-1/plates/" in shown
    assert 'class="paper" src="/machines/wren-1/paper.png?v=' in shown
    # The first column that is wholly in the run comes three minutes after noon: mean solar days are those of UT1.
    run = Run.objects.get()
    begins, closes = (
        datetime.fromtimestamp(float(run_instants(run, column, run_timeline(run))), UTC)
        for column in (run.first_column, (run.first_column // 360 + 1) * 360)
    )
    assert f"Turn 1 of 4 began at {begins:%H:%M} on Fri 20 Mar 2026 and closes at {closes:%H:%M} on" in shown
    percent = round(100 * (clock.at - begins) / (closes - begins))
    assert f'value="{percent}"' in shown


def test_the_venues_own_place_is_answered_unasked(printing: Caller) -> None:
    """As `tests/server/api/test_next.py` has it over the API, a day later and in words."""
    shown = page()
    assert "Here, 9.1° W, is printed between 12:36 and 12:40 on Sat 21 Mar 2026." in shown
    assert "The strip with it is cut off between" in shown
    assert "The knife is switched off now" in shown


def test_a_place_that_is_asked_for(printing: Caller) -> None:
    printing.post(
        "node/reports", {"epoch": 1, "entries": [{"kind": "knife-armed", "seq": 7, "at": wiring.now().isoformat()}]}
    )
    shown = page("?place=15+E")
    assert "15.0° E is printed between 11:00 and 11:04 on Sat 21 Mar 2026." in shown
    assert "The strip with it is cut off" in shown and "The knife is switched off" not in shown
    assert 'value="15 E"' in shown and 'data-address="/machines/wren-1/now/fragment?place=15+E"' in shown
    assert "15.0° E is printed" in page("?place=15+E", part="now/fragment")


def test_what_cannot_be_read_is_said_beside_the_field(printing: Caller) -> None:
    shown = page("?place=<b>Lisbon")
    assert "No town called “&lt;b&gt;Lisbon” is known here." in shown and 'aria-invalid="true"' in shown
    assert "is printed between" not in shown, "nobody takes it for the answer"
    assert "“181 E” is not understood" in page("?place=181+E")


@pytest.mark.parametrize(
    ("text", "degrees"),
    [
        ("-9.14", -9.14),
        ("9,14 w", -9.14),
        ("9.14° W", -9.14),
        ("18° 30′ E", 18.5),
        ("9°8'24\"W", -9.14),
        ("−52.7", -52.7),
        ("180", 180.0),
        ("0", 0.0),
        ("+12 ", 12.0),
    ],
)
def test_a_longitude_as_people_write_it(text: str, degrees: float) -> None:
    assert read(LONGITUDE, text)[0].longitude == pytest.approx(degrees)


@pytest.mark.parametrize(
    ("asked", "text", "phase", "said"),
    [
        (HOURS, "6", 0.25, "Right ascension 6 h 00 min"),
        (HOURS, "5h 30m", 5.5 / 24, "Right ascension 5 h 30 min"),
        (HOURS, "23:59", (24 * 60 - 1) / (24 * 60), "Right ascension 23 h 59 min"),
        (SHARE, "25 %", 0.25, "The place at 25 % of the turn"),
        (SHARE, "0", 0.0, "The place at 0 % of the turn"),
    ],
)
def test_a_part_of_the_turn_as_people_write_it(asked: Question, text: str, phase: float, said: str) -> None:
    place, words = read(asked, text)
    assert place.phase == pytest.approx(phase)
    assert words.replace(NO_BREAK, " ") == said


@pytest.mark.parametrize(
    ("asked", "text"),
    [
        *(
            (LONGITUDE, text)
            for text in ("", "east", "-9 W", "181", "1e2", "nan", "9.1.1", "9 N", "12° 60' E", "9" * 80)
        ),
        *((HOURS, text) for text in ("24", "-1", "5h 60m", "5h 30m 10s", "h")),
        *((SHARE, text) for text in ("100", "-1", "half")),
    ],
)
def test_what_is_no_place_is_refused(asked: Question, text: str) -> None:
    with pytest.raises(InputError, match="is not understood"):
        read(asked, text)


def test_a_map_s_neighbours_are_asked_for_in_their_own_way(furnished: Caller) -> None:
    moon = {"kind": "moon", "diameter_mm": 30.0}
    another(furnished, {"name": "The Moon", "picture": moon}, cycle="lunar-day", strips_per_turn=0)
    shown = page("?place=100+W", "wren-2")
    assert "Longitude that has the Moon overhead" in shown
    assert "100.0° W is printed between" in shown and "The paper of this run is not cut." in shown


@pytest.mark.parametrize(
    ("cycle", "picture", "label", "asked", "said"),
    [
        ("sidereal-day", "stars", "Right ascension", "6h", "Right ascension 6 h 00 min is printed"),
        (
            "sidereal-day",
            "moon",
            "Sidereal time at Greenwich",
            "6h",
            "Sidereal time at Greenwich 6 h 00 min is printed",
        ),
        ("synodic-month", "moon", "How far along the turn", "25 %25", "The place at 25 % of the turn"),
    ],
)
def test_what_has_no_longitude(furnished: Caller, cycle: str, picture: str, label: str, asked: str, said: str) -> None:
    pictures = {
        "stars": {"kind": "stars", "south_degrees": -40.0, "north_degrees": 40.0},
        "moon": {"kind": "moon", "diameter_mm": 30.0},
    }
    another(furnished, {"name": "Other", "picture": pictures[picture]}, cycle=cycle, ends_at="2026-04-25T12:00:00Z")
    plain = page(machine="wren-2")
    assert label in plain and "is printed" not in plain  # the venue has no place of its own on it
    assert said in page(f"?place={asked}", "wren-2")


def test_bursts_and_paper_that_is_wound_up_are_told(furnished: Caller) -> None:
    profile = changed(PROFILE, "profile.columns_per_burst", 8) | {"id": "slow"}
    furnished.create("profiles", changed(profile, "profile.knife", None))
    furnished.create("machines", {"id": "wren-3", "name": "Wren 3", "venue": "quay", "profile": "slow"})
    furnished.create("runs", RUN | {"id": "third", "machine": "wren-3", "strips_per_turn": 0})
    shown = page(machine="wren-3")
    assert "Here, 9.1° W, is printed between 12:16 and 12:48 on Fri 20 Mar 2026." in shown
    assert "It is laid in one burst at the beginning of that time, with all that belongs to 32 min" in shown
    assert "The paper is not cut here; it is wound up." in shown


def test_before_the_first_column(furnished: Caller) -> None:
    shown = page()
    assert "It will be printed here, from 12:00 on Fri 20 Mar 2026." in shown
    assert "<progress" not in shown and '<line class="due"' not in shown
    assert "Here, 9.1° W, is printed between 12:36 and 12:40 on Fri 20 Mar 2026." in shown


def test_no_run_at_all(studio: Caller) -> None:
    for resource, body in (("venues", FAR_VENUE), ("profiles", PROFILE)):
        studio.create(resource, body)
    studio.create("machines", {"id": "wren-9", "name": "Wren 9", "venue": "shed", "profile": "wren"})
    shown = page(machine="wren-9")
    assert "<h1>Wren 9</h1>" in shown and "Nothing has been printed here yet." in shown
    assert "<form" not in shown and "Pacific/Chatham, UTC+13:45" in shown
    assert Client().get("/machines/nobody/now").status_code == 404


def test_a_run_that_is_over(printing: Caller, clock: HeldClock) -> None:
    clock.at = datetime(2026, 3, 24, tzinfo=UTC)
    shown = page()
    assert "It was printed here until 12:00 on Mon 23 Mar 2026." in shown
    assert "<form" not in shown and "<progress" not in shown
    assert "its run is over; not all of it is reported" in Client().get("/").content.decode()
    Run.objects.update(skipped=4000)
    assert "Nothing is being printed now. Land was printed here until 12:00 on Mon 23 Mar 2026." in page()


def test_a_place_that_does_not_come_round_again(printing: Caller, clock: HeldClock) -> None:
    clock.at = datetime(2026, 3, 23, 11, 59, tzinfo=UTC)
    assert "90.0° W does not come round again in what is planned." in page("?place=90+W")


def test_a_machine_whose_words_a_server_that_was_put_back_has_lost(printing: Caller, clock: HeldClock) -> None:
    """They are not in the log; its reports are."""
    Heartbeat.objects.all().delete()
    clock.at += timedelta(hours=1)
    assert "has not been started" not in page()
    jobs.watch()
    assert "No word has come from the machine since" in page()
    assert "<dt>Last heard</dt><dd>never</dd>" not in Client().get("/").content.decode()


def test_a_machine_that_was_never_started(furnished: Caller, clock: HeldClock) -> None:
    clock.at += timedelta(hours=12)
    shown = page()
    assert "but the machine has not been started yet" in shown
    assert "where the head belongs now" in shown and "once the machine has been started" in shown


def test_a_machine_that_was_stopped_in_order(printing: Caller, clock: HeldClock) -> None:
    stopped = {"kind": "node-stopped", "seq": 7, "at": clock.at.isoformat()}
    printing.post("node/reports", {"epoch": 1, "entries": [stopped]})
    shown = page()
    assert f"The machine stands still: it was switched off in order at {clock.at:%H:%M} on" in shown
    assert "It is being printed now" not in shown and "where the head belongs now" in shown


def test_a_silent_machine(printing: Caller, clock: HeldClock) -> None:
    heard = clock.at
    clock.at += timedelta(hours=1)
    jobs.watch()
    shown = page()
    assert f"No word has come from the machine since {heard:%H:%M} on Fri 20 Mar 2026." in shown
    assert "It may be printing on: look at it." in shown
    assert "how the machine is now is not known here" in shown


@pytest.mark.parametrize(
    ("action", "said"),
    [
        ("pause", "somebody here has paused it"),
        ("park", "it is being looked after"),
        ("stop", "somebody here has stopped it"),
    ],
)
def test_a_machine_that_a_person_holds(printing: Caller, clock: HeldClock, action: str, said: str) -> None:
    act(printing, 7, action, clock.at)
    shown = page()
    assert f"The machine stands still: {said}." in shown
    assert "What the sky passes meanwhile is, as a rule, left out of the picture." in shown
    assert "While the machine stands still it may come later, or not at all." in shown
    act(printing, 8, "release" if action == "stop" else "resume", clock.at)
    assert ("paused" in page()) == (action == "stop")


def test_a_machine_that_stopped_by_itself(printing: Caller, clock: HeldClock) -> None:
    entry = {"kind": "node-started", "seq": 7, "at": clock.at.isoformat(), "unplanned_stop": True}
    printing.post("node/reports", {"epoch": 1, "entries": [entry]})
    assert "it stopped by itself, as after a power cut, and waits for somebody to look at it" in page()


def test_a_machine_with_a_fault_under_rules_by_cause(furnished: Caller, node: Caller, clock: HeldClock) -> None:
    work = work_of(node)
    clock.at = work.segments[0].knots[-1] + timedelta(minutes=1)
    fault = {"kind": "conditions-changed", "seq": 2, "at": clock.at.isoformat(), "keywords": ["media-jam"]}
    status = {
        "at": clock.at.isoformat(),
        "next_column": work.segments[1].first_column,
        "paper_position": 15,
        "clock_error_s": 0.01,
        "knife_armed": False,
        "held_until": None,
    }
    answer = node.post("node/reports", {"epoch": 1, "entries": [printed(work, 1), fault], "status": status})
    assert answer.status_code == 200, answer.content
    run = Run.objects.get()
    run.policy = run.policy | {"by_cause": [{"causes": ["jam"], "rule": {"kind": "replay"}}]}
    run.save()
    shown = page()
    assert "something about it has to be put right by a person" in shown
    assert "depends on what held it up" in shown


def test_a_head_that_is_late(printing: Caller, clock: HeldClock) -> None:
    told = Heartbeat.objects.get().status
    clock.at += timedelta(hours=1)
    printing.post("node/reports", {"epoch": 1, "entries": [], "status": told | {"at": clock.at.isoformat()}})
    shown = page()
    assert "It is being printed late: the head is at the mean Sun over" in shown
    assert '<line class="late"' in shown and "The broken line: where the head is." in shown
    assert "the machine is behind it now" in shown


@pytest.mark.parametrize(("behind", "late"), [(2, False), (3, True)])
def test_a_head_is_late_when_it_is_more_than_two_bursts_behind(
    printing: Caller, clock: HeldClock, behind: int, late: bool
) -> None:
    """Where it should be is the last column told; where it is, so many bursts and a column before."""
    told, burst = Heartbeat.objects.get().status, structure(PROFILE["profile"], Profile).columns_per_burst
    due = told["next_column"]
    told |= {"at": clock.at.isoformat(), "next_column": due - due % burst - behind * burst - 1}
    printing.post("node/reports", {"epoch": 1, "entries": [], "status": told})
    assert ('<line class="late"' in page()) == late


def test_a_time_that_comes_twice_says_which(furnished: Caller, clock: HeldClock) -> None:
    """In Lisbon the clocks went back at two on 25 October 2026: half past one came twice, WEST and then WET."""
    run = RUN | {"id": "autumn", "starts_at": "2026-10-24T12:00:00Z", "ends_at": "2026-10-27T12:00:00Z"}
    furnished.create("runs", run)
    clock.at = datetime(2026, 10, 24, 6, tzinfo=UTC)
    assert "172.5° E is printed between 01:28 WEST and 01:32 WEST on Sun 25 Oct 2026." in page("?place=172.5+E")
    assert "157.5° E is printed between 01:28 WET and 01:32 WET on Sun 25 Oct 2026." in page("?place=157.5+E")


def test_it_is_only_read_and_shows_no_secret_and_nothing_from_elsewhere(printing: Caller) -> None:
    response = Client().get("/machines/wren-1/now?place=15+E")
    assert "default-src 'self'" in response["Content-Security-Policy"]
    body = response.content.decode()
    assert "http://" not in body and "https://" not in body and " style=" not in body
    assert "csrf" not in body and Machine.objects.get().id in body
    for part in ("now", "now/fragment"):
        assert Client().post(f"/machines/wren-1/{part}").status_code in (403, 405)


def test_on_a_wall_it_goes_on_by_itself_and_there_is_nothing_to_press(printing: Caller) -> None:
    shown, on_wall = (Client().get(f"/machines/wren-1/now{query}").content.decode() for query in ("", "?wall"))
    for only_near in ("<header", 'name="place"'):
        assert only_near in shown and only_near not in on_wall
    assert 'class="visit on-wall"' in on_wall and 'data-address="/machines/wren-1/now/fragment"' in on_wall
