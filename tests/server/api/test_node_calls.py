"""The node's calls: the time, work with its tag, plates, and reports that are taken once."""

from __future__ import annotations

import base64
import hashlib
from datetime import timedelta
from typing import Any

import pytest
from django.db import OperationalError

from machines.imaging.plate import Plate
from machines.protocol.messages import Work
from machines.serialization import parse_instant
from scheduling.log.models import Event, Heartbeat, Machine, PrintedStretch
from scheduling.rendering.plate_store import PlateStore
from server import jobs
from tests.server.conftest import enrol
from tests.server.studio import BEGINS, MACHINE, Caller, HeldClock, printed


def work_of(node: Caller, horizon: str = "PT24H") -> Work:
    return Work.from_json(node.get(f"node/work?horizon={horizon}").json())


def test_the_clock_stamps_arrival_and_departure(node: Caller, clock: HeldClock) -> None:
    response = node.get("node/clock")
    assert response["Cache-Control"] == "no-store"
    stamps = response.json()
    assert stamps == {"received_at": "2026-03-20T06:00:00.000000Z", "sent_at": "2026-03-20T06:00:00.000000Z"}


def test_the_clock_stamps_in_order(node: Caller, monkeypatch: pytest.MonkeyPatch, clock: HeldClock) -> None:
    def ticking() -> float:
        clock.at += timedelta(seconds=1)
        return clock.at.timestamp()

    monkeypatch.setattr(clock, "now", ticking, raising=False)
    stamps = node.get("node/clock").json()
    assert parse_instant(stamps["sent_at"]) > parse_instant(stamps["received_at"])


def test_work_is_what_the_node_reads(node: Caller) -> None:
    work = work_of(node)
    assert work.run is not None and work.run.id == "spring"
    assert work.policy is not None and work.policy.kind == "skip"
    assert work.profile.columns_per_turn == 360
    # 12:00 today is when the run starts; the horizon ends at 06:00 tomorrow: 18 of 24 segments of a solar day.
    assert len(work.segments) in (18, 19)
    assert work.segments[0].knots[0] >= BEGINS + timedelta(hours=6)


@pytest.mark.parametrize(("horizon", "hours"), [("PT1H", 1), ("P1D", 24), ("P1DT6H30M", 30.5), ("PT0H20000S", 5.5)])
def test_work_ends_at_the_horizon(node: Caller, clock: HeldClock, horizon: str, hours: float) -> None:
    segments = work_of(node, horizon).segments
    until = clock.at + timedelta(hours=hours)
    assert all(segment.knots[0] < until + timedelta(minutes=6) for segment in segments)
    assert bool(segments) == (hours > 6)


@pytest.mark.parametrize(
    "horizon",
    ["24", "PT", "P", "24H", "-PT24H", "PT0S", "P32D", "P1Y", "1 00:00:00", "PT1.5H", "P" + "9" * 50 + "D", "%00"],
)
def test_a_horizon_that_is_none_is_named(node: Caller, horizon: str) -> None:
    response = node.get(f"node/work?horizon={horizon}")
    assert (response.status_code, response.json()["field"]) == (422, "horizon")


def test_the_same_work_is_not_sent_twice(node: Caller, clock: HeldClock) -> None:
    first = node.get("node/work?horizon=PT24H")
    tag = first["ETag"]
    # RFC 9110 section 8.8.3: a strong tag has no W/; ours is the digest of the very bytes.
    assert tag == f'"{hashlib.sha256(first.content).hexdigest()}"'
    again = node.get("node/work?horizon=PT24H", HTTP_IF_NONE_MATCH=tag)
    assert (again.status_code, again.content, again["ETag"]) == (304, b"", tag)
    assert node.get("node/work?horizon=PT24H", HTTP_IF_NONE_MATCH=f'"x", {tag}').status_code == 304
    assert node.get("node/work?horizon=PT24H", HTTP_IF_NONE_MATCH='"x"').status_code == 200
    clock.at += timedelta(hours=4)
    other = node.get("node/work?horizon=PT24H", HTTP_IF_NONE_MATCH=tag)
    assert other.status_code == 200 and other["ETag"] != tag


def test_a_tag_gives_no_304_to_whoever_is_not_let_in(node: Caller) -> None:
    tag = node.get("node/work")["ETag"]
    assert Caller().get("node/work", HTTP_IF_NONE_MATCH=tag).status_code == 401
    assert Caller().get("node/work", HTTP_IF_NONE_MATCH="*").status_code == 401


def test_plates_are_the_dots_that_their_name_says(node: Caller, furnished: Caller) -> None:
    (digest,) = work_of(node).plates
    for caller in (node, furnished):
        response = caller.get(f"plates/{digest}.png")
        assert response["Content-Type"] == "image/png"
        assert "immutable" in response["Cache-Control"]
        assert Plate.from_png(response.content).digest == digest
        whole = base64.b64encode(hashlib.sha256(response.content).digest()).decode()
        assert response["Repr-Digest"] == f"sha-256=:{whole}:"  # RFC 9530 section 3, RFC 8941 section 3.3.5
    assert node.get(f"plates/{digest}.png", HTTP_IF_NONE_MATCH=response["ETag"]).status_code == 304
    assert node.get(f"plates/{'0' * 64}.png").status_code == 404
    assert node.get(f"plates/{digest.upper()}.png").status_code == 404


def test_reports_are_taken_once(node: Caller) -> None:
    work = work_of(node)
    batch = {"epoch": 1, "entries": [printed(work, 1), printed(work, 2)]}
    assert node.post("node/reports", batch).json() == {"accepted_through": 2}
    events = Event.objects.count()
    for _ in range(3):
        assert node.post("node/reports", batch).json() == {"accepted_through": 2}
    assert Event.objects.count() == events
    assert PrintedStretch.objects.count() == 2
    longer = {"epoch": 1, "entries": [*batch["entries"], printed(work, 3)]}
    assert node.post("node/reports", longer).json() == {"accepted_through": 3}
    assert PrintedStretch.objects.count() == 3


def test_an_empty_batch_is_a_sign_of_life(node: Caller) -> None:
    assert node.post("node/reports", {"epoch": 1, "entries": []}).json() == {"accepted_through": 0}


def test_a_hole_in_the_journal_is_refused_whole(node: Caller) -> None:
    work = work_of(node)
    events = Event.objects.count()
    for entries in ([printed(work, 2)], [printed(work, 1), printed(work, 3)]):
        told = node.post("node/reports", {"epoch": 1, "entries": entries})
        assert (told.status_code, told.json()["type"]) == (409, "/api/v1/problems/missing-entries")
        assert told.json()["expected"] == (1 if len(entries) == 1 else 2)
    assert Event.objects.count() == events


def test_an_older_epoch_in_the_body_is_refused(furnished: Caller) -> None:
    enrol(furnished)
    node = Caller(str(enrol(furnished)["token"]))
    told = node.post("node/reports", {"epoch": 1, "entries": []})
    assert (told.status_code, told.json()["type"]) == (409, "/api/v1/problems/stale-epoch")


def test_a_copied_board_is_fenced_off_and_a_person_learns_what_to_do(node: Caller, furnished: Caller) -> None:
    work = work_of(node)
    node.post("node/reports", {"epoch": 1, "entries": [printed(work, 1), printed(work, 2)]})
    copied = printed(work, 2) | {"at": "2026-11-02T00:00:00.000000Z"}
    told = node.post("node/reports", {"epoch": 1, "entries": [copied]})
    assert (told.status_code, told.json()["type"]) == (409, "/api/v1/problems/journal-differs")
    assert told.json()["seq"] == 2
    assert "enrol it again with a new code" in told.json()["detail"]
    (notice,) = [one for one in furnished.get("notices").json()["results"] if one["kind"] == "reports-refused"]
    assert notice["cleared_at"] is None
    assert "entries.seq: 2 was told before" in notice["said"] and "has lost what it wrote last" in notice["said"]
    assert notice["said"].endswith("look at the machine, then enrol its board again")
    assert node.post("node/reports", {"epoch": 1, "entries": [printed(work, 2), printed(work, 3)]}).status_code == 200
    assert furnished.get(f"notices/{notice['id']}").json()["cleared_at"] is not None


def test_a_board_enrolled_again_is_told_how_much_of_its_journal_is_there(furnished: Caller) -> None:
    assert enrol(furnished)["earlier"] == []
    node = Caller(str(enrol(furnished)["token"]))
    entry = {"seq": 1, "kind": "node-started", "at": "2026-11-02T00:00:00.000000Z", "unplanned_stop": False}
    node.post("node/reports", {"epoch": 2, "entries": [entry]})
    assert enrol(furnished)["earlier"] == [{"epoch": 2, "through": 1, "at": entry["at"]}]


def test_a_new_board_is_told_how_much_paper_was_fed(node: Caller, furnished: Caller) -> None:
    work = work_of(node)
    first = printed(work, 1)
    node.post("node/reports", {"epoch": 1, "entries": [first]})
    assert enrol(furnished)["paper_position"] == first["columns"]["end"] - first["columns"]["first"] > 0


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"kind": 7}, "entries[0].kind"),
        ({"seq": "1"}, "entries[0].seq"),
        ({"at": "yesterday"}, "entries[0].at"),
        ({"columns": {"first": 9, "end": 3}}, "entries[0].columns"),
        ({"worst_miss_s": None}, "entries[0].worst_miss_s"),
    ],
)
def test_an_entry_that_cannot_be_read_is_named_and_nothing_is_taken(
    node: Caller, change: dict[str, Any], field: str
) -> None:
    work = work_of(node)
    entries = [printed(work, 1) | change, printed(work, 2)]
    told = node.post("node/reports", {"epoch": 1, "entries": entries})
    assert (told.status_code, told.json()["field"].startswith(field)) == (422, True), told.json()
    assert Machine.objects.get().accepted_through == 0


def test_what_cannot_be_is_refused_and_somebody_learns_it(node: Caller, furnished: Caller, clock: HeldClock) -> None:
    work = work_of(node)
    clock.at = work.segments[0].knots[-1]
    status = {
        "at": "2026-03-20T06:01:00.000000Z",
        "next_column": 7,
        "paper_position": 0,
        "clock_error_s": 0.02,
        "knife_armed": False,
        "held_until": None,
        "held_run": None,
        "held_revision": None,
        "following": None,
        "panel": None,
    }
    bad = {"epoch": 1, "entries": [printed(work, 1) | {"paper_position": -1}], "status": status}
    for _ in range(3):
        told = node.post("node/reports", bad)
        assert (told.status_code, told.json()["field"]) == (422, "entries[0].paper_position")
    (notice,) = furnished.get("notices").json()["results"]
    assert (notice["kind"], notice["cleared_at"]) == ("reports-refused", None)
    assert "entries[0].paper_position: -1" in notice["said"]
    assert furnished.get("machines/wren-1").json()["refused_since"] is not None
    assert furnished.get("machines/wren-1/heartbeat").json()["status"] == status, "how it is, is heard"
    assert node.post("node/reports", {"epoch": 1, "entries": [printed(work, 1)]}).status_code == 200
    assert furnished.get(f"notices/{notice['id']}").json()["cleared_at"] is not None
    assert furnished.get("machines/wren-1").json()["refused_since"] is None


def test_a_batch_that_is_too_large_is_refused_for_its_size(node: Caller) -> None:
    entry = {"kind": "knife-armed", "at": "2026-03-20T06:00:00Z"}
    told = node.post("node/reports", {"epoch": 1, "entries": [entry | {"seq": seq} for seq in range(1, 502)]})
    assert (told.status_code, told.json()["type"]) == (413, "/api/v1/problems/body-too-large")
    assert Machine.objects.get().accepted_through == 0


def test_a_heartbeat_that_cannot_be_written_holds_back_nothing(node: Caller, monkeypatch: pytest.MonkeyPatch) -> None:
    def locked(**_: Any) -> None:
        raise OperationalError("database is locked")

    work = work_of(node)
    monkeypatch.setattr(Heartbeat.objects, "update_or_create", locked)
    assert node.post("node/reports", {"epoch": 1, "entries": [printed(work, 1)]}).status_code == 200
    assert node.get("node/work").status_code == 200


def test_a_node_gets_the_plates_of_its_own_work_and_no_others(node: Caller, furnished: Caller) -> None:
    (digest,) = work_of(node).plates
    furnished.create("machines", MACHINE | {"id": "wren-2"})
    other = Caller(str(enrol(furnished, "wren-2")["token"]))
    assert other.get("node/work").json()["run"] is None
    refused, unknown = other.get(f"plates/{digest}.png"), other.get(f"plates/{'0' * 64}.png")
    assert refused.status_code == unknown.status_code == 404
    assert refused.json()["detail"] == f"There is no plate {digest}."
    node.post("node/reports", {"epoch": 1, "entries": [printed(work_of(node), 1)]})
    assert node.get(f"plates/{digest}.png").status_code == 200, "what it printed it may need once more"


def test_the_newest_word_of_a_node_is_kept(node: Caller, furnished: Caller, clock: HeldClock) -> None:
    assert furnished.get("machines/wren-1/heartbeat").status_code == 404
    work = work_of(node)
    assert furnished.get("machines/wren-1/heartbeat").json() == {
        "heard_at": "2026-03-20T06:00:00.000000Z",
        "status": {},
    }
    clock.at += timedelta(minutes=1)
    status = {
        "at": "2026-03-20T06:01:00.000000Z",
        "next_column": work.segments[0].first_column,
        "paper_position": 0,
        "clock_error_s": 0.02,
        "knife_armed": False,
        "held_until": "2026-03-21T06:00:00.000000Z",
        "held_run": None,
        "held_revision": None,
        "following": None,
        "panel": None,
    }
    node.post("node/reports", {"epoch": 1, "entries": [], "status": status})
    clock.at += timedelta(minutes=2)  # more than a tenth of a silence
    work_of(node)  # a call without a status leaves the last one
    told = furnished.get("machines/wren-1/heartbeat").json()
    assert told == {"heard_at": "2026-03-20T06:03:00.000000Z", "status": status}
    assert not Event.objects.filter(actor__startswith="node:").exists()


def test_silence_begins_and_ends(node: Caller, furnished: Caller, clock: HeldClock) -> None:
    work_of(node)
    clock.at += timedelta(hours=7)
    assert jobs.watch() == 1
    assert jobs.watch() == 0
    (notice,) = furnished.get("notices").json()["results"]
    assert (notice["machine"], notice["kind"], notice["cleared_at"]) == ("wren-1", "silence", None)
    work_of(node)
    assert jobs.watch() == 1
    assert furnished.get(f"notices/{notice['id']}").json()["cleared_at"] is not None


def test_a_gap_becomes_an_outage(node: Caller, furnished: Caller, clock: HeldClock, plates: PlateStore) -> None:
    work = work_of(node)
    assert work.run is not None
    clock.at = work.segments[1].knots[0]
    first = work.segments[0].first_column
    gap = {
        "first": first,
        "unknown_end": first + 1,
        "end": first + 5,
        "cause": "power",
        "noticed_at": work.segments[1].knots[0].isoformat(),
    }
    columns = {"unknown": (first, first + 1), "skipped": (first + 1, first + 5), "replayed": (first + 5, first + 5)}
    entry = {
        "kind": "gap-settled",
        "seq": 1,
        "at": work.segments[1].knots[0].isoformat(),
        "run": work.run.id,
        "gap": gap,
        "policy": {"kind": "skip"},
        "decision": {
            "action": "skip",
            **{name: {"first": a, "end": b} for name, (a, b) in columns.items()},
            "true_again": first + 5,
            "hours_until_true": 0.0,
            "reason": "the policy is to stay true to the sky and leave out what was missed",
        },
        "paper_position": 0,
    }
    assert node.post("node/reports", {"epoch": 1, "entries": [entry]}).json() == {"accepted_through": 1}
    (outage,) = furnished.get("outages").json()["results"]
    assert (outage["machine"], outage["cause"], outage["decision"]["action"]) == ("wren-1", "power", "skip")
    assert outage["differs"] is None
    assert furnished.get(f"outages/{outage['id']}").json() == outage
