"""The end of the demonstration: promises measured, `report.json` written, papers copied where people find them."""

from __future__ import annotations

import json
import operator
import shutil
import sys
from dataclasses import asdict
from datetime import timedelta
from pathlib import Path
from typing import Any

from scheduling.sky.zones import zone
from server.demo import acceptance, foretold, kept_changes, scenario
from server.demo.acceptance import Promise
from server.demo.changes import calendar
from server.demo.doors import hung_as_was_said
from server.demo.fleet_acts import works_on
from server.demo.processes import to_its_end
from server.demo.stage import Stage
from server.demo.station_day import StationDay, read_day
from server.demo.told import Received, told_of_outages
from server.demo.views import view


def read_all(stage: Stage) -> list[StationDay]:
    """What can be known from outside, after the nodes have ended."""
    return [
        read_day(stage.studio, station, stage.folder / station.id, stage.runs_of(station))
        for station in scenario.STATIONS
    ]


def measure(stage: Stage, everyone: list[StationDay]) -> list[Promise]:
    """Every promise, measured."""
    promises: list[Promise] = []
    for day in everyone:
        promises += [
            acceptance.planned_by_the_sky(day),
            acceptance.every_column_accounted_once(day),
            acceptance.paper_shows_the_plates(day),
            acceptance.no_column_twice(day),
            acceptance.nothing_lost(day),
            foretold.as_foretold(day, stage.foretold[day.station.id]),
            hung_as_was_said(day, stage.doors[day.station.id]),
            foretold.as_told_after(day, foretold.ask_after(stage.studio, day)),
        ]
        if day.station.outage:
            promises += [acceptance.outage_settled(day), acceptance.knife_follows_the_paper(day)]
    return [
        *promises,
        acceptance.columns_on_time(everyone),
        acceptance.printed_without_the_server(everyone, stage.server_died_at, stage.server_back_at),
        log_command(stage, "views-rebuilt-are-equal", "rebuild"),
        log_command(stage, "log-unbroken", "verify"),
        _refused_to_guess(stage),
        _clock_change(stage),
        acceptance.calendars_hold_the_windows(_calendars(stage)),
        *_changes(stage, everyone),
        _told(stage),
        *works_on(stage),
    ]


def _told(stage: Stage) -> Promise:
    """Of the outages at machines that people were told of."""
    received = Received(
        hooks=stage.receiver.taken,
        letters=stage.mail.taken,
        messages=stage.studio.all("messages"),
        matters=stage.studio.all("matters"),
        mailbox=scenario.MAILBOX,
    )
    return told_of_outages(received, stage.away)


def _changes(stage: Stage, everyone: list[StationDay]) -> list[Promise]:
    """What people said otherwise while the day passed."""
    assert stage.moved is not None and stage.ended is not None
    days = {day.station.id: day for day in everyone}
    return [
        kept_changes.opening_moved(stage.moved),
        kept_changes.ended_while_offline(days[scenario.CHANGES.station], stage.ended, stage.network_back_at),
        kept_changes.followed_without_a_seam(days[scenario.CHANGES.follows]),
    ]


def _calendars(stage: Stage) -> dict[str, bytes]:
    """Each venue's feed, without events of the sky."""
    return {id: calendar(stage.studio, id) for id in scenario.VENUES}


def log_command(stage: Stage, name: str, command: str) -> Promise:
    """What `dayroll log` says of the server's log: it ends with an error where something is not as it should be."""
    order = [sys.executable, "-m", "server", "log", command]
    done = to_its_end(order, stage.server.owner)
    said = (done.stdout if done.returncode == 0 else done.stderr).strip().splitlines()
    return Promise(name, done.returncode == 0, {"said": said[-1] if said else ""})


def _refused_to_guess(stage: Stage) -> Promise:
    """A local time that comes twice was refused, with both readings."""
    status, answer = stage.refusal
    readings = (answer or {}).get("readings", [])
    return Promise(
        "ambiguous-time-refused", status == 422 and len(readings) == 2, {"status": status, "readings": readings}
    )


def _clock_change(stage: Stage) -> Promise:
    """The run spans the night in which a venue's clocks change."""
    starts = stage.begins
    ends = starts + timedelta(hours=scenario.HOURS)
    lisbon = zone("Europe/Lisbon")
    offsets = [str(instant.astimezone(lisbon).utcoffset()) for instant in (starts, ends)]
    return Promise("run-spans-a-clock-change", offsets[0] != offsets[1], {"offsets_from_utc_in_lisbon": offsets})


def write(stage: Stage, everyone: list[StationDay], promises: list[Promise], took_s: float) -> Path:
    """Write `report.json` and put the papers beside it, at true dots and as a view with rulers."""
    for day in everyone:
        id = day.station.id
        shutil.copy(stage.folder / id / "paper" / "paper.png", stage.folder / f"{id}-paper.png")
        (stage.folder / f"{id}-view.png").write_bytes(view(day))
    report: dict[str, Any] = {
        "studio": scenario.STUDIO,
        "shown_hours": scenario.HOURS,
        "seconds_shown_per_second": stage.clock.rate,
        "took_s": round(took_s, 1),
        "promises": [asdict(promise) for promise in promises],
    }
    path = stage.folder / "report.json"
    numpy_to_python = operator.methodcaller("item")
    path.write_text(json.dumps(report, indent=2, default=numpy_to_python) + "\n")
    return path


def tell(promises: list[Promise]) -> None:
    """The promises in words."""
    for promise in promises:
        mark = "kept  " if promise.holds else "BROKEN"
        numbers = ", ".join(f"{name.replace('_', ' ')} {value}" for name, value in promise.measured.items())
        print(f"  {mark}  {promise.name:38}  {numbers}")
