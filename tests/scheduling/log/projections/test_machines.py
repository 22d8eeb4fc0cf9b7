"""Machines, catalogue, outages and notices, from what is said of them."""

from __future__ import annotations

from dataclasses import replace

import pytest

from machines.recovery import Policy
from machines.serialization import structure
from scheduling.log.events.server import NodeEnrolled, SilenceBegan, SilenceEnded
from scheduling.log.events.visits import ServiceWindowCalledOff
from scheduling.log.models import Machine, Notice, Opening, Outage, Profile, ServiceWindow, Source, Venue
from tests.scheduling.log.facts import (
    NOW,
    a_run_on_a_machine,
    acted,
    armed,
    at,
    conditions,
    cut,
    differed,
    disarmed,
    gap_settled,
    machine,
    opening,
    printed,
    profile,
    say,
    service_once,
    service_weekly,
    source,
    started,
    stopped,
    true_again,
    venue,
)

pytestmark = pytest.mark.django_db


def left() -> Machine:
    return Machine.objects.get(id="left")


def open_notices() -> list[str]:
    return list(Notice.objects.filter(machine_id="left", cleared_at=None).order_by("id").values_list("kind", flat=True))


def test_venues_profiles_sources_openings() -> None:
    say("venue/boathouse", venue())
    say("profile/carriage", profile())
    say("source/land", source())
    say("opening/first", opening())
    place = Venue.objects.get(id="boathouse")
    assert (place.name, place.zone) == ("The Boathouse", "America/St_Johns")
    assert (place.latitude_degrees, place.longitude_degrees, place.elevation_m) == (47.56, -52.71, 12.0)
    assert Profile.objects.get(id="carriage").name == "Carriage"
    assert Profile.objects.get(id="carriage").data["head"]["nozzles"] == 16
    assert Source.objects.get(id="land").kind == "land"
    assert Source.objects.get(id="land").picture == {"kind": "land", "scale": 1}
    doors = Opening.objects.get(id="first")
    assert (doors.venue_id, doors.name, doors.opens_at) == ("boathouse", "First evening", at(1260))
    assert doors.anchor == {"kind": "civil", "local": "2026-03-29T18:00"}


def test_service_windows() -> None:
    say("service/roll", service_once())
    say("service/rounds", service_weekly())
    once, rounds = ServiceWindow.objects.get(id="roll"), ServiceWindow.objects.get(id="rounds")
    assert (once.venue_id, once.name, once.begins_at, once.comes["minutes"]) == ("boathouse", "New roll", at(1260), 45)
    assert (rounds.begins_at, rounds.comes["kind"], rounds.comes["weekday"]) == (None, "weekly", "tuesday")
    say("service/rounds", ServiceWindowCalledOff(reason=None), minutes=7)
    off = ServiceWindow.objects.get(id="rounds")
    for day in ("2026-04-14", "2026-04-07", "2026-04-14"):
        say("service/rounds", ServiceWindowCalledOff(date=day), minutes=8)
    assert ServiceWindow.objects.get(id="rounds").dates_off == ["2026-04-07", "2026-04-14"]
    assert (off.called_off_at, off.called_off_because, off.comes) == (at(7), None, rounds.comes)
    say("service/rounds", service_weekly(ends="12:00"), minutes=9)
    again = ServiceWindow.objects.get(id="rounds")
    assert (again.called_off_at, again.dates_off, again.comes["ends"]) == (None, [], "12:00")


def test_a_window_that_nobody_fixed_is_not_called_off() -> None:
    say("service/roll", ServiceWindowCalledOff(reason=None))
    assert not ServiceWindow.objects.exists()


def test_a_new_machine() -> None:
    say("machine/left", machine())
    assert (left().name, left().venue_id, left().profile_id) == ("Left wall", "boathouse", "carriage")
    assert (left().epoch, left().accepted_through, left().knife_armed, left().conditions) == (0, 0, False, [])
    assert (left().silent_since, left().last_reported_at, left().paper_position) == (None, None, 0)


def test_a_new_board_counts_from_one_again() -> None:
    a_run_on_a_machine(0)
    say("machine/left", armed(1), armed(2))
    assert (left().epoch, left().accepted_through) == (1, 2)
    say("machine/left", NodeEnrolled(epoch=2))
    assert (left().epoch, left().accepted_through) == (2, 0)


def test_every_entry_moves_the_journal_on() -> None:
    a_run_on_a_machine(0)
    entries = [
        started(1, unplanned=False),
        armed(2),
        printed(3, 0, 10),
        gap_settled(4, 10, 11, 20),
        true_again(5, 20),
        cut(6, 0),
        conditions(7),
    ]
    for minutes, entry in enumerate(entries, 1):
        say("machine/left", entry, minutes=minutes)
        assert (left().accepted_through, left().last_reported_at) == (minutes, at(minutes))


def test_the_paper_only_moves_on() -> None:
    a_run_on_a_machine(0, 1)
    say("machine/left", printed(1, 0, 10), printed(2, 60, 70, paper_position=64))
    assert left().paper_position == 74
    say("machine/left", printed(3, 20, 25))
    assert left().paper_position == 74


def test_the_knife_is_armed_by_a_person_and_disarmed_by_an_unplanned_stop() -> None:
    a_run_on_a_machine(0)
    say("machine/left", armed(1))
    assert left().knife_armed
    say("machine/left", started(2, unplanned=False))
    assert left().knife_armed
    say("machine/left", started(3, unplanned=True))
    assert not left().knife_armed
    say("machine/left", cut(4, 0))
    assert not left().knife_armed, "a strip without columns counts as cut with the one before it"
    say("machine/left", armed(5), cut(6, 10))
    assert left().knife_armed
    say("machine/left", cut(7, 10, made=False, why="passed"))
    assert left().knife_armed and open_notices() == [], "the strip was beyond it"
    say("machine/left", cut(8, 20, made=False))
    assert not left().knife_armed


def test_the_knife_is_disarmed_by_what_a_node_says_of_it() -> None:
    a_run_on_a_machine(0)
    for seq, said in enumerate(
        (
            disarmed(2),
            conditions(2, "separation-cutter-offline-warning"),
            conditions(2, "media-jam-error"),
        )
    ):
        say("machine/left", armed(3 * seq + 1))
        assert left().knife_armed
        say("machine/left", replace(said, seq=3 * seq + 2))
        assert not left().knife_armed
        say("machine/left", conditions(3 * seq + 3))
        assert not left().knife_armed, "until a person arms it"


def test_a_doubt_of_the_clock_leaves_the_knife_as_it_is() -> None:
    """It holds the machine; a knife that is shown as off while it is armed would invite hands."""
    a_run_on_a_machine(0)
    say("machine/left", armed(1))
    say("machine/left", conditions(2, "other-error"))
    assert left().knife_armed and left().hold == "fault"
    say("machine/left", disarmed(3))
    assert not left().knife_armed


def test_a_new_board_is_not_said_to_have_an_armed_knife() -> None:
    a_run_on_a_machine(0)
    say("machine/left", armed(1), NodeEnrolled(epoch=2))
    assert not left().knife_armed


def test_what_the_board_before_said_of_the_machine_is_not_said_of_a_new_one() -> None:
    a_run_on_a_machine(0)
    say("machine/left", started(1, unplanned=True), acted(2, "pause"), conditions(3, "paused", "media-low-warning"))
    say("machine/left", NodeEnrolled(epoch=2))
    assert (left().hold, left().held_since, left().conditions, open_notices()) == ("", None, [], [])
    say("machine/left", acted(1, "pause"), conditions(2, "paused"))
    assert (left().hold, left().conditions) == ("paused", ["paused"]), "until it says so itself"
    assert sorted(open_notices()) == ["operator-acted", "paused"]


def test_an_orderly_stop_lasts_until_an_agent_begins_again() -> None:
    a_run_on_a_machine(0)
    say("machine/left", stopped(1, minutes=4))
    assert left().stopped_at == at(4)
    say("machine/left", started(2, unplanned=False, minutes=9))
    assert left().stopped_at is None
    say("machine/left", stopped(3, minutes=10), NodeEnrolled(epoch=2))
    assert left().stopped_at is None


def test_silence() -> None:
    a_run_on_a_machine(0)
    say("machine/left", SilenceBegan(last_heard_at=at(-20)))
    assert left().silent_since == at(-20)
    (notice,) = Notice.objects.filter(kind="silence")
    assert (notice.raised_at, notice.cleared_at) == (NOW, None)
    assert "no word since 2026-03-28 23:10 UTC" in notice.said
    say("machine/left", SilenceEnded(silent_s=3600.0), minutes=40)
    notice.refresh_from_db()
    assert (left().silent_since, notice.cleared_at) == (None, at(40))
    say("machine/left", SilenceBegan(last_heard_at=at(50)), minutes=70)
    assert Notice.objects.filter(kind="silence").count() == 2


def test_conditions_and_a_notice_for_each() -> None:
    a_run_on_a_machine(0)
    say("machine/left", SilenceBegan(last_heard_at=NOW), conditions(1, "media-low", "marker-supply-low"))
    assert left().conditions == ["media-low", "marker-supply-low"]
    say("machine/left", conditions(2, "media-empty", "media-low", minutes=5))
    assert sorted(open_notices()) == ["media-empty", "media-low", "silence"]
    assert Notice.objects.get(kind="marker-supply-low").cleared_at == at(5)
    assert Notice.objects.filter(kind="media-low").count() == 1
    say("machine/left", conditions(3, minutes=9))
    assert (left().conditions, open_notices()) == ([], ["silence"])


def test_a_strip_that_was_not_cut() -> None:
    a_run_on_a_machine(0)
    say("machine/left", cut(1, 0, made=False), cut(2, 25, made=False))
    assert open_notices() == ["knife-disarmed"]
    say("machine/left", armed(3, minutes=30))
    assert open_notices() == []
    say("machine/left", cut(4, 50, made=False), cut(5, 75))
    assert open_notices() == []
    assert Notice.objects.filter(kind="knife-disarmed").count() == 2


def test_an_outage_that_is_skipped_is_over_at_once() -> None:
    a_run_on_a_machine(0)
    (fact,) = say("machine/left", gap_settled(1, 10, 12, 40), minutes=90)
    outage = Outage.objects.get()
    assert (outage.id, outage.machine_id, outage.run_id, outage.seq) == (f"left-{fact.version}", "left", "spring", 1)
    assert (outage.cause, outage.noticed_at, outage.true_again_at, outage.differs) == ("power", at(40), at(40), None)
    assert outage.gap["unknown_end"] == 12
    assert structure(outage.policy, Policy) == Policy(kind="skip")
    assert outage.decision["skipped"] == {"first": 12, "end": 40}
    notice = Notice.objects.get(kind="gap")
    assert notice.cleared_at == at(40)
    assert notice.said.startswith("28 columns missed and 2 unknown (power): ")


def test_outages_that_are_replayed_are_over_when_the_machine_is_true_again() -> None:
    a_run_on_a_machine(0, 1)
    replay = Policy(kind="replay")
    say("machine/left", gap_settled(1, 10, 12, 40, policy=replay), gap_settled(2, 20, 20, 60, policy=replay))
    assert set(Outage.objects.values_list("true_again_at", flat=True)) == {None}
    assert open_notices() == ["gap", "gap"]
    say("machine/left", true_again(3, 80))
    assert set(Outage.objects.values_list("true_again_at", flat=True)) == {at(80)}
    assert open_notices() == []


def test_a_settlement_that_differs_needs_a_person() -> None:
    a_run_on_a_machine(0)
    say("machine/left", gap_settled(1, 10, 12, 40))
    say("machine/left", NodeEnrolled(epoch=2), gap_settled(1, 10, 12, 40), differed(1))
    older, newer = Outage.objects.order_by("version")
    assert older.differs is None
    assert newer.differs["action"] == "replay"
    assert open_notices() == ["settlement-differed"]


def test_what_is_said_of_a_machine_that_nobody_added_is_kept_without_a_row() -> None:
    say("machine/left", NodeEnrolled(epoch=1), armed(1), printed(2, 0, 10), SilenceBegan(last_heard_at=NOW))
    assert not Machine.objects.exists()


def test_two_machines_do_not_touch_each_other() -> None:
    a_run_on_a_machine(0)
    say("machine/right", machine())
    say("machine/left", SilenceBegan(last_heard_at=NOW), conditions(1, "media-low"))
    say("machine/right", SilenceEnded(silent_s=1.0), conditions(1))
    assert sorted(open_notices()) == ["media-low", "silence"]


def test_the_notice_of_an_unplanned_stop_says_what_to_do() -> None:
    a_run_on_a_machine(0)
    say("machine/left", started(1, unplanned=True), conditions(2, "paused"))
    (notice,) = Notice.objects.filter(kind="paused")
    assert notice.said == "it stopped by itself, as after a power cut; somebody must look at it, and resume it there"
    say("machine/left", acted(3, "resume"), conditions(4), acted(5, "pause"), conditions(6, "paused"))
    assert Notice.objects.filter(kind="paused", cleared_at=None).get().said == "the machine says paused"
