"""Today's sheet of a venue: what normal looks like, what to do and when, each step with its cautions beside it."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from html import unescape
from typing import Any

import pytest
from django.test import Client

from machines.operator.conditions import GLOSS
from machines.operator.labels import LABELS
from machines.operator.safety_notes import ALWAYS_HOLDS, BESIDE, UNATTENDED
from machines.serialization import structure
from scheduling.commands.handlers import FixServiceWindow, handle
from scheduling.log.models import Heartbeat, Machine, Run, Venue
from scheduling.log.store import Attribution
from scheduling.paper.pace import RunPace
from server import jobs, wiring
from server.console.formatting import NO_BREAK
from server.console.staff_sheet import MachineSheet, _pace, sheet
from server.console.staff_tasks import ARM, Task, at_panel, changing, going_on
from tests.server.api.test_node_calls import work_of
from tests.server.studio import FAR_VENUE, PROFILE, RUN, Caller, HeldClock, changed, printed


def page(venue: str = "quay") -> str:
    response = Client().get(f"/venues/{venue}/today")
    assert response.status_code == 200, response.content
    return unescape(response.content.decode()).replace(NO_BREAK, " ")


def shown(machine: str = "wren-1") -> MachineSheet:
    venue = Venue.objects.get(id=Machine.objects.get(id=machine).venue_id)
    (found,) = [one for one in sheet(venue, wiring.now()).machines if one.station.id == machine]
    return found


def tell(node: Caller, *entries: dict[str, Any], first: int = 7) -> None:
    at = wiring.now().isoformat()
    numbered = [{"at": at, **entry, "seq": seq} for seq, entry in enumerate(entries, first)]
    answer = node.post("node/reports", {"epoch": 1, "entries": numbered})
    assert answer.status_code == 200, answer.content


def acted(action: str) -> dict[str, Any]:
    return {"kind": "operator-acted", "action": action}


def named(tasks: tuple[Task, ...]) -> list[str]:
    return [task.what for task in tasks]


def said(task: Task) -> list[str]:
    return [step.says for step in task.steps]


def on_short_roll(studio: Caller, **profile: Any) -> None:
    """A second machine beside the first, on a roll of 28 cm: seven thirds of a turn, two days and eight hours."""
    body = changed(PROFILE, "profile.media.roll_m", 0.28) | {"id": "short"}
    for path, value in profile.items():
        body = changed(body, f"profile.{path}", value)
    studio.create("profiles", body)
    studio.create("machines", {"id": "wren-2", "name": "Wren 2", "venue": "quay", "profile": "short"})
    studio.create("runs", RUN | {"id": "short", "machine": "wren-2"})
    jobs.extend()


@pytest.fixture
def armed(printing: Caller) -> Caller:
    """All is well: it prints, and the knife is armed. The next entry is the eighth."""
    tell(printing, {"kind": "knife-armed"})
    return printing


def test_a_day_on_which_all_is_well(armed: Caller) -> None:
    found = shown()
    assert (found.now, found.ahead, found.known) == ((), (), ())
    assert dict(found.normal)["It prints"] == "Land, turn 1 of 4"
    everything = page()
    assert "Nothing but the two checks below." in everything
    assert "a line at a time, about every 4 min, by 0.33 mm; between, it stands" in everything
    assert "moves to the right, 5 mm an hour" in everything and "a strip falls about every 6 h" in everything
    assert "The roll lasts to the end of the run. The blade lasts to the end of the run." in everything


def test_the_sheet_begins_with_what_waits_for_somebody(armed: Caller) -> None:
    assert "Nothing waits for you." in page()
    tell(armed, acted("pause"), first=8)
    first = page().partition('<h2 id="first">')[2].partition("</section>")[0]
    assert "Nothing waits" not in first and "Wren 1" in first and 'href="#machine-wren-1"' in first
    assert "<strong>Let it go on</strong>, now. Begin so: Ask who paused it, and why." in first


def test_a_fast_machine_is_said_to_be_without_an_exponent(furnished: Caller) -> None:
    assert _pace(RunPace(burst_s=1.0, step_mm=0.5, mm_per_hour=361.5, strip_s=None)).replace(NO_BREAK, " ") == (
        "360 mm an hour"
    )


def test_what_stands_on_every_sheet(armed: Caller) -> None:
    everything = page()
    for heading in ("Two daily checks", "Three things you may do", "Never open the knife", "In danger", "Ring"):
        assert f">{heading}</h3>" in everything
    assert "the number on the card beside the machine" in everything
    assert ALWAYS_HOLDS in everything and BESIDE["stop"][0] in everything
    for line in UNATTENDED.splitlines():
        assert line.strip(" -") in everything
    for action in ("pause", "resume", ARM):
        for caution in BESIDE[action]:
            assert caution in everything
    for caution in BESIDE["blade-changed"]:
        assert caution in everything


def test_each_step_at_the_panel_has_the_panel_s_words_and_cautions() -> None:
    for action in ("pause", "park", "resume", "release", ARM):
        step = at_panel(action)  # type: ignore[arg-type]
        assert (step.says, step.cautions) == (f"At the panel: {LABELS[action]}.", BESIDE[action])
    park, change, resume, arm = changing("roll", is_cut=True)
    assert (park, resume, arm) == (at_panel("park"), at_panel("resume"), at_panel("arm-knife"))
    assert change.says == "Change the roll. Then, at the panel: Roll was changed."
    assert change.cautions == BESIDE["roll-changed"]
    assert changing("blade", is_cut=True)[1].says.startswith("Only by somebody whom the venue has named for it")
    assert going_on("stopped", is_cut=False) == (at_panel("release"), at_panel("resume"))


def test_a_disarmed_knife(printing: Caller) -> None:
    (task,) = shown().now
    assert (task.what, task.when) == ("Arm the knife", "now")
    assert task.steps[-1] == at_panel("arm-knife")
    Run.objects.update(strips_per_turn=0)
    assert shown().now == ()
    assert dict(shown().normal)["The knife"] == "does not cut in this run"


def test_a_knife_that_its_node_disarmed_is_to_be_armed(armed: Caller) -> None:
    tell(armed, {"kind": "knife-disarmed", "why": "paused"}, first=8)
    assert named(shown().now) == ["Arm the knife"]
    assert shown().station.knife == "disarmed"


def test_a_knife_that_the_newest_poll_says_is_off_is_to_be_armed_whatever_was_reported(
    armed: Caller, studio: Caller
) -> None:
    """A board of yesterday reports no disarming; its polls say how the knife is."""
    assert (named(shown().now), shown().station.knife) == ([], "armed")
    assert studio.get("machines/wren-1").json()["knife_armed"] is True
    told = Heartbeat.objects.get().status | {"knife_armed": False}
    armed.post("node/reports", {"epoch": 1, "entries": [], "status": told})
    assert (named(shown().now), shown().station.knife) == (["Arm the knife"], "disarmed")
    assert studio.get("machines/wren-1").json()["knife_armed"] is False
    assert [row["knife_armed"] for row in studio.get("machines").json()["results"]] == [False]


def test_a_knife_that_the_machine_says_is_off_is_to_be_armed(armed: Caller) -> None:
    tell(armed, {"kind": "conditions-changed", "keywords": ["separation-cutter-offline-warning"]}, first=8)
    assert named(shown().now) == ["Arm the knife"]


@pytest.mark.parametrize(
    ("action", "what", "steps"),
    [
        ("pause", "Let it go on", ["Resume", "Arm the knife"]),
        ("park", "End the service and let it go on", ["Resume", "Arm the knife"]),
        ("stop", "Let it go on after the stop", ["Release the stop", "Resume", "Arm the knife"]),
    ],
)
def test_a_machine_that_waits_for_a_person(armed: Caller, action: str, what: str, steps: list[str]) -> None:
    tell(armed, acted(action), first=8)
    (task,) = shown().now
    assert task.what == what
    assert said(task)[1:] == [f"At the panel: {one}." for one in steps]
    at = wiring.now()
    assert task.why.startswith(f"Since {at:%H:%M} on Fri 20 Mar 2026: ")


def test_a_machine_that_stopped_by_itself(armed: Caller) -> None:
    tell(armed, {"kind": "node-started", "unplanned_stop": True}, first=8)
    (task,) = shown().now
    assert task.what == "Look at it, and let it go on"
    assert task.steps[-1] == at_panel("arm-knife")


def test_a_jam_is_first_to_be_cleared_and_then_what_holds_it(armed: Caller) -> None:
    tell(armed, {"kind": "conditions-changed", "keywords": ["media-jam-error"]}, first=8)
    jam, held = shown().now
    assert held.what == "Put it right, and let it go on" and "something is wrong with it" in held.why
    assert jam.what.lower() == GLOSS["media-jam"] and jam.why == "The machine says media-jam-error."
    assert jam.steps == (at_panel("park"),)


@pytest.mark.parametrize(
    ("keyword", "part", "steps"),
    [
        ("media-empty", "roll", 4),
        ("marker-supply-empty-error", "cartridge", 4),
        ("separation-cutter-life-over", "blade", 4),
        ("media-low-warning", None, 0),
        ("cover-open", None, 1),
        ("never-heard-of", None, 1),
    ],
)
def test_what_the_machine_says(armed: Caller, keyword: str, part: str | None, steps: int) -> None:
    tell(armed, {"kind": "conditions-changed", "keywords": [keyword]}, first=8)
    task = shown().now[0]
    assert keyword in task.why and task.part == part and len(task.steps) == steps


def test_what_is_told_otherwise_is_not_told_twice(armed: Caller) -> None:
    tell(armed, {"kind": "conditions-changed", "keywords": ["paused", "separation-cutter-offline-warning"]}, first=8)
    assert "The machine says" not in page()


def test_a_silent_machine(armed: Caller, clock: HeldClock) -> None:
    heard = clock.at
    clock.at += timedelta(hours=1)
    jobs.watch()
    (task,) = shown().now
    assert task.what == "See whether it prints on"
    assert f"since {heard:%H:%M} on Fri 20 Mar 2026" in task.why and "may be printing on" in task.why
    assert task.steps[0].cautions == (UNATTENDED.splitlines()[1].strip(" -"),)


def test_a_machine_that_was_never_heard(furnished: Caller, clock: HeldClock) -> None:
    clock.at += timedelta(hours=12)
    jobs.watch()
    assert shown().now[0].what == "See to its board"
    assert shown().now[0].why == "It should have begun to print at 12:00 on Fri 20 Mar 2026, and was never heard."


def test_a_machine_whose_board_was_ended_in_order(armed: Caller, clock: HeldClock) -> None:
    tell(armed, {"kind": "node-stopped"}, first=8)
    ended = clock.at
    clock.at += timedelta(hours=1)
    jobs.watch()
    assert named(shown().now) == ["Let its board begin again"]
    assert f"ended in order at {ended:%H:%M} on Fri 20 Mar 2026" in shown().now[0].why
    tell(armed, {"kind": "node-started", "unplanned_stop": False}, first=9)
    jobs.watch()
    assert named(shown().now) == []


def test_a_roll_that_ends_in_the_next_days_and_then_today(furnished: Caller, clock: HeldClock) -> None:
    """840 columns of four minutes from noon are two days and eight hours: eight in the evening of the 22nd."""
    on_short_roll(furnished)
    (task,) = shown("wren-2").ahead
    assert (task.what, task.part) == ("Change the roll", "roll")
    assert task.due_at is not None and abs(task.due_at - datetime(2026, 3, 22, 20, tzinfo=UTC)) < timedelta(minutes=8)
    assert task.when == f"before {task.due_at:%H:%M} on Sun 22 Mar 2026"
    assert shown("wren-2").now == ()
    clock.at = datetime(2026, 3, 22, 8, tzinfo=UTC)
    (task,) = [one for one in shown("wren-2").now if one.part]
    assert task.when.startswith("today, before ")
    assert page().count("Change the roll. Then, at the panel: Roll was changed.") == 1


def test_a_change_that_falls_on_an_opening_says_so(furnished: Caller) -> None:
    """A roll of 16 cm is 480 columns, a day and eight hours: the evening of the first night."""
    on_short_roll(furnished, **{"media.roll_m": 0.16})
    (task,) = shown("wren-2").ahead
    assert "on the day of First night: change it before" in task.why
    assert task.why.count("2026") == 1


def test_a_worn_blade_and_ink_that_ends(furnished: Caller) -> None:
    """Three cuts a blade, four strips a turn; ink by the ten-thousandth of a millilitre."""
    ink = {"kind": "carriage", "nozzles": 8, "passes": 2, "drop_pl": 10.0, "cartridge_ml": 0.0005}
    on_short_roll(furnished, **{"head": ink, "knife.cuts_per_blade": 3, "media.roll_m": 30.0})
    assert sorted(named(shown("wren-2").ahead + shown("wren-2").now)) == ["Change the blade", "Change the cartridge"]
    assert shown("wren-2").rest == ("The roll lasts to the end of the run.",)


def test_what_ends_after_a_week_is_only_named(furnished: Caller) -> None:
    furnished.create("machines", {"id": "wren-3", "name": "Wren 3", "venue": "quay", "profile": "wren"})
    furnished.create("runs", RUN | {"id": "long", "machine": "wren-3", "ends_at": "2027-03-20T12:00:00Z"})
    found = shown("wren-3")
    assert found.ahead == () and "The roll lasts, by count, until " in found.rest[0]


def test_a_condition_and_the_count_do_not_ask_twice_for_the_same_roll(furnished: Caller, node: Caller) -> None:
    profile = changed(PROFILE, "profile.media.roll_m", 0.28)["profile"]
    assert furnished.create("profiles", {"id": "other", "profile": profile})
    Machine.objects.update(profile_id="other", conditions=["media-empty"])
    assert [task.part for task in shown().now + shown().ahead].count("roll") == 1


def test_when_a_plate_is_gone_nobody_is_told_that_all_lasts(armed: Caller) -> None:
    for file in wiring.plates().place.rglob("*.png"):
        file.unlink()
    assert "cannot be counted now" in page()


def test_the_sheet_counts_anew_once_something_moved_it(furnished: Caller, node: Caller, clock: HeldClock) -> None:
    """A roll of 28 cm lasts 840 of the run's 1080 columns; a new one put in after 75 of them lasts to the 915th."""
    furnished.create("profiles", changed(PROFILE, "profile.media.roll_m", 0.28) | {"id": "short"})
    Machine.objects.update(profile_id="short")
    work = work_of(node)
    clock.at = work.segments[5].knots[-1]
    tell(node, *(printed(work, seq) for seq in range(1, 6)), first=1)
    (before,) = [task for task in shown().ahead if task.part == "roll"]
    tell(node, acted("park"), acted("roll-changed"), acted("resume"), first=6)
    (after,) = [task for task in shown().ahead if task.part == "roll"]
    assert before.due_at is not None and after.due_at is not None
    assert after.due_at - before.due_at == pytest.approx(timedelta(hours=5), abs=timedelta(minutes=9))


def test_a_change_is_due_in_its_service_window(furnished: Caller, clock: HeldClock) -> None:
    """The last window before the evening of the 22nd; on its day it is to be done today, and once it is over, before
    the end."""
    on_short_roll(furnished)
    weekly = {"kind": "weekly", "weekday": "saturday", "begins": "10:00", "ends": "12:00"}
    said = {"id": "morning", "venue": "quay", "name": "Saturday morning", "comes": weekly}
    handle(structure(said, FixServiceWindow), Attribution(actor="test", request=None, said_at=clock.at))
    (task,) = shown("wren-2").ahead
    assert task.when == "in Saturday morning, between 10:00 and 12:00 on Sat 21 Mar 2026"
    assert f'<a href="/venues/quay/service-windows">{task.when}</a>' in page()
    assert task.why.startswith("By count it ends at ")
    clock.at = datetime(2026, 3, 21, 8, tzinfo=UTC)
    assert [one.when for one in shown("wren-2").now if one.part] == [task.when]
    clock.at = datetime(2026, 3, 21, 12, 30, tzinfo=UTC)
    (late,) = shown("wren-2").ahead
    assert late.when.startswith("before 2") and "22 Mar 2026" in late.when
    assert f'<span class="when">{late.when}</span>' in page()


def test_notices_for_the_studio_are_only_mentioned(armed: Caller) -> None:
    slip = {
        "run": "spring",
        "column": Run.objects.get(id="spring").first_column + 25,
        "slip_mm": -0.6,
        "slip_s": -86.4,
        "slip_degrees": -0.36,
    }
    tell(armed, {"kind": "slip-measured", **slip}, first=8)
    assert shown().now == ()
    assert 'The studio knows: <span lang="en">The paper is 0.60 mm behind' in page()


def test_a_run_that_the_server_forgot_is_the_studios(armed: Caller) -> None:
    run = Run.objects.get(id="spring")
    columns = {"first": run.end_column, "end": run.end_column + 2}
    told = {"run": "summer", "segment": 3, "columns": columns, "columns_done": 2, "paper_position": 9000}
    tell(armed, {"kind": "columns-printed", "worst_miss_s": 0.0, **told}, first=8)
    assert shown().now == ()
    assert 'The studio knows: <span lang="en">Its board tells of run summer since 2026-03-2' in page()


def test_openings_and_hours(armed: Caller, furnished: Caller, clock: HeldClock) -> None:
    assert "No hours are set." in page()
    assert "<strong>First night</strong> opens at 19:00 on Sat 21 Mar 2026." in page()
    clock.at = datetime(2026, 3, 21, 20, tzinfo=UTC)
    assert "<strong>First night</strong> opens today at 19:00." in page()
    clock.at = datetime(2026, 3, 22, 8, tzinfo=UTC)
    assert "First night" not in page()


def test_a_machine_before_its_run_after_it_and_without_one(furnished: Caller, node: Caller, clock: HeldClock) -> None:
    furnished.create("machines", {"id": "wren-9", "name": "Wren 9", "venue": "quay", "profile": "wren"})
    assert dict(shown("wren-9").normal) == {"It prints": "nothing yet; the studio has still to set it going"}
    Machine.objects.filter(id="wren-9").update(epoch=1)
    assert dict(shown("wren-9").normal) == {"It prints": "nothing; it stands still"}
    assert "begins Fri 20 Mar 2026 12:00; until then it stands still" in dict(shown().normal)["It prints"]
    clock.at = datetime(2026, 3, 24, tzinfo=UTC)
    assert "its run is over" in dict(shown().normal)["It prints"]


def test_a_slow_burst_of_ink_that_is_wound_up(furnished: Caller, clock: HeldClock) -> None:
    body = changed(changed(PROFILE, "profile.columns_per_burst", 15), "profile.knife", None) | {"id": "slow"}
    furnished.create("profiles", body)
    furnished.create("machines", {"id": "wren-3", "name": "Wren 3", "venue": "quay", "profile": "slow"})
    run = RUN | {"id": "year", "machine": "wren-3", "strips_per_turn": 0, "cycle": "synodic-month"}
    furnished.create("runs", run | {"ends_at": "2026-05-20T12:00:00Z"})
    jobs.extend()
    Machine.objects.filter(id="wren-3").update(epoch=1)
    clock.at += timedelta(hours=12)
    normal = {what: how.replace(NO_BREAK, " ") for what, how in shown("wren-3").normal}
    # 29.53 days in 24 bursts of 15 columns are 29.5 hours each; 120 mm in them are 4.1 mm a day.
    assert normal["It moves"] == "in a burst, about every 1 d 5 h, by 5 mm; between, it stands"
    assert normal["The paper"] == "moves to the right, 4.1 mm a day"
    assert normal["The end"] == "is wound up, never cut"


def test_a_southern_venue_in_a_zone_of_three_quarters(furnished: Caller) -> None:
    furnished.create("venues", FAR_VENUE)
    everything = page("shed")
    assert "No machine stands here yet." in everything and "Never open the knife" not in everything
    # 6:00 UTC in March is 19:45 there, still summer time.
    assert "As it was at 19:45 on Fri 20 Mar 2026, Pacific/Chatham, UTC+13:45" in everything


def test_it_is_only_read_and_nothing_comes_from_elsewhere(armed: Caller) -> None:
    response = Client().get("/venues/quay/today")
    body = response.content.decode()
    assert "http://" not in body and "https://" not in body and " style=" not in body
    assert Client().post("/venues/quay/today").status_code in (403, 405)
    assert Client().get("/venues/nowhere/today").status_code == 404
    console = Client().get("/").content.decode()
    assert 'href="/venues/quay/today"' in console and 'href="/machines/wren-1/now"' in console
