"""What the studio or a curator says otherwise, or once more, while runs are under way: whatever can be changed."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta
from random import Random
from typing import Any

import urllib3

from machines.serialization import format_instant, parse_instant
from tests.faults.furniture import PROFILES
from tests.faults.kinds import FORGETS
from tests.faults.planning import run_body
from tests.faults.scenario import Fault
from tests.faults.stage import Act, Stage

TRY_EVERY_H = 0.1
# So long before its furthest end a run that goes on after all is told to end: rounded up, that is its furthest end.
JUST_BEFORE = timedelta(seconds=1)
DAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
# With these a run ends before it was to, or stands still: who forgets that knows nothing of what was said after it.
TAKE_BACK = ("ended", "withdrawn", "ended-and-on", "held", "succeeded")
# Nor is a run planned by what a server then forgets, as its board would have printed by that.
NOT_FORGOTTEN = (*TAKE_BACK, "revised", "lengthened")
# By so many hours a run that goes on longer than was planned does at most.
LONGER_H = 0.3
# By so much the hours of two machines on one server differ at most.
APART_H = 0.3
# Answers to something that cannot be said so; any other to what is said here is a defect.
REFUSED = (409, 422)


def change(stage: Stage, fault: Fault) -> list[Act]:
    """Somebody says it as soon as the server is there."""
    dice = Random(f"{stage.scenario.seed} {fault.at_h} {fault.detail}")
    return [Act(fault.at_h, lambda: _say(stage, fault.detail, lambda: CHANGES[fault.detail](stage, dice)))]


def _say(stage: Stage, what: str, say: Callable[[], None]) -> None:
    if not stage.server_off and not (what in NOT_FORGOTTEN and _is_to_be_forgotten(stage)):
        try:
            say()
            return
        except urllib3.exceptions.HTTPError:  # it died on the way; whether it took it, the next try shows
            pass
    if stage.hours() < stage.scenario.hours:
        stage.pending.append(Act(stage.hours() + TRY_EVERY_H, lambda: _say(stage, what, say)))


def _is_to_be_forgotten(stage: Stage) -> bool:
    """Whether the server is to be put back to before now: it would have a run printed that was taken back, after what
    came in its place; nobody says so before."""
    known = (stage.scenario, *([] if stage.beside is None else [stage.beside]))
    forgets = [fault for one in known for fault in one.faults if fault.kind in FORGETS]
    now_h = stage.hours()
    return any(one.at_h - APART_H <= now_h <= one.at_h + one.lasts_h + APART_H for one in forgets)


def _call(stage: Stage, method: str, path: str, body: Any, *good: int) -> None:
    status, answer = stage.lane.studio.call(method, path, body)
    if status not in good:
        stage.problems.append(f"the server answered {method} {path} with {status}: {answer}")


def _venue(stage: Stage) -> str:
    return str(stage.lane.studio.get(f"machines/{stage.machine}")["venue"])


def _hours(stage: Stage, dice: Random) -> None:
    """Other hours, from now on."""
    opens = dice.randrange(4)
    spans = [{"opens": f"{hour:02}:00", "closes": f"{hour + 2:02}:30"} for hour in range(opens, 20, 4)]
    dates = [{"date": "2026-09-01"}] if dice.random() < 0.3 else []
    week = {day: spans for day in DAYS if dice.random() < 0.9}
    _call(stage, "PUT", f"venues/{_venue(stage)}/hours?accept=true", {"week": week, "dates": dates}, 200)


def _opening(stage: Stage, dice: Random) -> None:
    civil = (stage.begins + timedelta(hours=dice.randrange(-3, 9))).replace(tzinfo=None, microsecond=0)
    body = {
        "id": f"opening-{dice.randrange(10**6)}",
        "venue": _venue(stage),
        "name": "An opening",
        "anchor": {"civil": civil.isoformat(), "zone": "America/St_Johns"},
    }
    _call(stage, "POST", "openings", body, 201)
    _call(stage, "POST", "openings", body, 201)  # the same again is the same
    _call(stage, "POST", "openings", body | {"name": "Another"}, *REFUSED)


def _opening_moved(stage: Stage, dice: Random) -> None:
    """An opening moves, perhaps twice, is called off, and takes place after all; it is as was said last."""
    id, zone = f"moved-{dice.randrange(10**6)}", "America/St_Johns"
    civil = (stage.begins + timedelta(hours=dice.randrange(9))).replace(tzinfo=None, microsecond=0)
    anchor = {"civil": civil.isoformat(), "zone": zone}
    _call(stage, "POST", "openings", {"id": id, "venue": _venue(stage), "name": "It moves", "anchor": anchor}, 201)
    for _ in range(dice.choice((1, 2))):
        anchor = {"civil": (civil + timedelta(minutes=dice.randrange(-90, 90))).isoformat(), "zone": zone}
        _call(stage, "PATCH", f"openings/{id}?accept=true", {"anchor": anchor, "reason": "the ferry"}, 200)
    acts = dice.choice(((), ("call-off",), ("call-off", "call-off", "take-back", "take-back")))
    for act in acts:  # a second time it stays as it is
        _call(stage, "POST", f"openings/{id}/{act}?accept=true", {}, 200)
    row = stage.lane.studio.get(f"openings/{id}")
    if row["anchor"] != anchor or (row["called_off_at"] is None) == (acts == ("call-off",)):
        stage.problems.append(f"an opening that moved to {anchor}, after {acts}, stands as {row}")


def _window(stage: Stage, dice: Random) -> None:
    """Somebody comes; and is called off, for one date or for good."""
    id, venue = f"window-{dice.randrange(10**6)}", _venue(stage)
    day = dice.choice(DAYS)
    weekly = {"kind": "weekly", "weekday": day, "begins": "10:00", "ends": "12:00"}
    civil = (stage.begins + timedelta(hours=dice.randrange(1, 9))).replace(tzinfo=None, microsecond=0)
    once = {"kind": "once", "anchor": {"civil": civil.isoformat(), "zone": "America/St_Johns"}, "minutes": 60}
    body = {"id": id, "venue": venue, "name": "Somebody comes", "comes": dice.choice([weekly, once])}
    _call(stage, "POST", "service-windows", body, 201)
    if dice.random() < 0.6:
        for _ in range(2):  # a second time it stays as it is
            _call(stage, "POST", f"service-windows/{id}/call-off", {"reason": "nobody can come"}, 200)


def _window_moved(stage: Stage, dice: Random) -> None:
    """Somebody comes on another day, does not come, and comes after all."""
    id, day = f"moved-{dice.randrange(10**6)}", dice.choice(DAYS)
    comes = {"kind": "weekly", "weekday": dice.choice(DAYS), "begins": "10:00", "ends": "12:00"}
    body = {"id": id, "venue": _venue(stage), "name": "Somebody comes", "comes": comes}
    _call(stage, "POST", "service-windows", body, 201)
    _call(stage, "PATCH", f"service-windows/{id}?accept=true", {"comes": {"weekday": day}}, 200)
    for act in ("call-off", "call-off", "take-back", "take-back"):
        _call(stage, "POST", f"service-windows/{id}/{act}?accept=true", {}, 200)
    row = stage.lane.studio.get(f"service-windows/{id}")
    if row["comes"]["weekday"] != day or row["called_off_at"] is not None:
        stage.problems.append(f"a window that moved to {day}, and was called off and taken back, stands as {row}")


def _planned_again(stage: Stage, dice: Random) -> None:
    """The same run once more, as where nobody knows whether the first call came through; and another over it."""
    number = dice.randrange(len(stage.runs)) + 1
    later_h = stage.later_h if number == len(stage.scenario.spans_h) else 0.0
    body = run_body(stage.scenario, stage.machine, number, stage.begins, later_h) | {"begins_in_the_past": True}
    known, row = stage.lane.studio.call("GET", f"runs/{body['id']}")
    if known == 200:
        _call(stage, "POST", "runs", body, 201, *REFUSED)  # taken where it is the very order by which it was planned
    if known == 200 and row["revision"] == 1:  # else there may be room for it
        _call(stage, "POST", "runs", body | {"id": f"{body['id']}-over-it"}, *REFUSED)


def _calibrated(stage: Stage, dice: Random) -> None:
    """Somebody measured the machine."""
    nozzles = PROFILES[stage.scenario.profile]["head"].get("nozzles", 0)
    measured = {
        "dead_nozzles": sorted(dice.sample(range(nozzles), dice.randrange(4))) if nozzles else [],
        "head_to_knife_mm": dice.choice([None, 4.0, 5.0, 5.5, 9.0]),
    }
    _call(stage, "PUT", f"machines/{stage.machine}/calibration", measured, 200)


def _revised(stage: Stage, dice: Random) -> None:
    """Model and picture are others from now on, perhaps twice; runs that were planned go on with their own."""
    furnished = PROFILES[stage.scenario.profile]
    cadence, passes = furnished["columns_per_burst"], furnished["head"].get("passes")
    numbers: dict[str, Any] = {
        "columns_per_burst": (cadence, cadence // 2 or 2),
        "highest_mm_per_hour": (60.0, 55.0),
        "clock_tolerance_dots": (0.5, 0.45),
        "slip_threshold_mm": (0.5, 0.4),
        "knife": ({"head_to_knife_mm": 5.0}, {"head_to_knife_mm": 9.0}),
        "media": ({"roll_m": 50.0}, {"roll_m": 40.0}),
        "head": ({"passes": passes}, {"passes": 2}) if passes else ({}, {"strobe_s": 0.001}),
    }
    before = _planned_by(stage)
    for _ in range(dice.choice((1, 1, 2))):
        said = {name: dice.choice(numbers[name]) for name in dice.sample(sorted(numbers), dice.randint(1, 3))}
        _call(stage, "PATCH", f"profiles/{stage.scenario.profile}", {"profile": said, "reason": "it was measured"}, 200)
    if dice.random() < 0.5:
        _call(stage, "PATCH", "sources/land", {"method": dice.choice(("blue-noise", "diffusion"))}, 200)
    if (after := _planned_by(stage)) != before:
        stage.problems.append(f"runs that were planned by {before} go by {after} after that was revised")


def _planned_by(stage: Stage) -> list[Any]:
    """The versions that the runs name which the server knows."""
    answers = [stage.lane.studio.call("GET", f"runs/{run}") for run in stage.runs]
    names = ("profile", "profile_version", "source_version")
    return [[row[name] for name in names] for status, row in answers if status == 200]


def _ended(stage: Stage, dice: Random) -> None:
    """A run ends before it is over, now or in a while, perhaps twice; and perhaps later again."""
    run = dice.choice(stage.runs)
    status, row = stage.lane.studio.call("GET", f"runs/{run}")
    if status != 200:  # a server that was put back does not know it yet
        return
    for _ in range(dice.choice((1, 1, 2))):
        body = {"boundary": dice.choice(("burst", "strip", "turn"))}
        if dice.random() < 0.6:
            at = stage.begins + timedelta(hours=dice.uniform(0.0, stage.scenario.hours))
            body["at"] = format_instant(min(at, parse_instant(row["ends_at"])))
        _act(stage, run, "end", body)


def _ended_and_on(stage: Stage, dice: Random) -> None:
    """A run ends now, and some time later it is to go on to where it was to end after all."""
    run, later_h = dice.choice(stage.runs), dice.uniform(0.0, 1.0)
    status, row = stage.lane.studio.call("GET", f"runs/{run}")
    if status != 200:  # a server that was put back does not know it yet
        return
    _act(stage, run, "end", {"boundary": "burst"})
    on = {"at": format_instant(parse_instant(row["ends_at"]) - JUST_BEFORE)}
    go_on = Act(stage.hours() + later_h, lambda: _say(stage, "ended-and-on", lambda: _act(stage, run, "end", on)))
    stage.pending.append(go_on)


def _lengthened(stage: Stage, dice: Random) -> None:
    """A run goes on longer than was ever planned, where its machine is free; and perhaps shorter again, and longer."""
    run = dice.choice(stage.runs)
    for _ in range(dice.choice((1, 1, 2))):
        status, row = stage.lane.studio.call("GET", f"runs/{run}")
        if status != 200:  # a server that was put back does not know it yet
            return
        longer = timedelta(hours=dice.uniform(0.02, LONGER_H / 2))
        _act(stage, run, "end", {"at": format_instant(parse_instant(row["ends_at"]) + longer)})
        if dice.random() < 0.3:
            _act(stage, run, "end", {"boundary": "strip"})


def _withdrawn(stage: Stage, dice: Random) -> None:
    """A run is taken back, twice for good measure; one that has begun is not."""
    run = dice.choice(stage.runs)
    for _ in range(2):
        _act(stage, run, "withdraw", {"reason": "the wrong year"})


def _held(stage: Stage, dice: Random) -> None:
    """A run is held for a while, from now or from within what is left of it: until an instant that is said at once,
    perhaps after the hold and perhaps earlier again; or until somebody lets it go on. A turn is a day here, of which
    hardly any run sees an end."""
    run, share, at_once = dice.choice(stage.runs), dice.uniform(0.0, 0.8), dice.random() < 0.4
    lasts_h, now_h = dice.choice((0.05, 0.5, 1.0, 2.0, 3.0)), stage.hours()
    body: dict[str, Any] = {"boundary": dice.choice(("burst", "burst", "strip"))}
    status, row = stage.lane.studio.call("GET", f"runs/{run}")
    if status != 200:  # a server that was put back does not know it yet
        return
    begins_h = now_h if at_once else (_within(stage, row, share) - stage.begins).total_seconds() / 3600.0
    if begins_h > now_h:
        body["at"] = _instant(stage, begins_h)
    if dice.random() < 0.6:
        body["until"] = _instant(stage, begins_h + lasts_h)
    if "until" not in body or dice.random() < 0.2:
        _let_go_on(stage, run, begins_h + lasts_h)  # before, as the answer may be lost
    _act(stage, run, "hold", body)
    if dice.random() < 0.2:
        _act(stage, run, "continue", {"at": _instant(stage, begins_h + lasts_h / 2.0)})


def _within(stage: Stage, row: dict[str, Any], share: float) -> datetime:
    """When a share of what is left of a run has passed."""
    now, ends_at = stage.begins + timedelta(hours=stage.hours()), parse_instant(row["ends_at"])
    begins = max(now, parse_instant(row["starts_at"]))
    return begins + share * max(ends_at - begins, timedelta())


def _instant(stage: Stage, at_h: float) -> str:
    return format_instant(stage.begins + timedelta(hours=at_h))


def _let_go_on(stage: Stage, run: str, at_h: float) -> None:
    """As soon as the server is there, however late that is."""

    def say() -> None:
        if not stage.server_off and not _is_to_be_forgotten(stage):
            try:
                for one in (run, *stage.followers):  # one that followed it meanwhile is held as it was
                    _act(stage, one, "continue", {"reason": "it is mended"})
                return
            except urllib3.exceptions.HTTPError:
                pass
        _let_go_on(stage, run, stage.hours() + TRY_EVERY_H)

    stage.pending.append(Act(at_h, say))


def _succeeded(stage: Stage, dice: Random) -> None:
    """Another run goes on from a boundary of one, now or in what is left of it, in other segments perhaps."""
    run, share, at_once = dice.choice(stage.runs), dice.uniform(0.05, 0.8), dice.random() < 0.4
    body: dict[str, Any] = {"boundary": dice.choice(("burst", "burst", "strip"))}
    if dice.random() < 0.5:
        body["segments_per_turn"] = dice.choice((24, 96))
    status, row = stage.lane.studio.call("GET", f"runs/{run}")
    if status != 200:  # a server that was put back does not know it yet
        return
    if not at_once:
        body["at"] = format_instant(_within(stage, row, share))
    stage.followers.append(f"{stage.machine}-then-{len(stage.followers) + 1}")
    # Named first: whether a server that dies on the way took it, nobody knows.
    _act(stage, run, "succeed", body | {"id": stage.followers[-1]})


def _act(stage: Stage, run: str, name: str, body: Any) -> None:
    status, answer = stage.lane.studio.call("POST", f"runs/{run}/{name}?accept=true", body)
    if status not in (200, 404, *REFUSED):
        stage.problems.append(f"the server answered the {name} of {run} with {status}: {answer}")


CHANGES: dict[str, Callable[[Stage, Random], None]] = {
    "ended": _ended,
    "withdrawn": _withdrawn,
    "hours": _hours,
    "opening": _opening,
    "window": _window,
    "planned-again": _planned_again,
    "calibrated": _calibrated,
    "opening-moved": _opening_moved,
    "window-moved": _window_moved,
    "ended-and-on": _ended_and_on,
    "revised": _revised,
    "held": _held,
    "succeeded": _succeeded,
    "lengthened": _lengthened,
}
# With these, and in this order, dice chose before there were more: seeds that they chose for mean what they did.
FIRST_CHANGES = ("ended", "withdrawn", "hours", "opening", "window", "planned-again", "calibrated")
