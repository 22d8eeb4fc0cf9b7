"""The end of the demonstration: promises measured, `report.json` written, papers copied where people find them."""

from __future__ import annotations

import json
import operator
import shutil
import sqlite3
import sys
from contextlib import closing
from dataclasses import asdict
from datetime import timedelta
from pathlib import Path
from typing import Any

from scheduling.sky.zones import zone
from server.demo import acceptance, scenario
from server.demo.acceptance import Promise
from server.demo.evidence import Evidence, gather
from server.demo.processes import environment, run
from server.demo.story import Stage
from server.demo.views import view


def gather_all(stage: Stage) -> list[Evidence]:
    """What can be known from outside, after the nodes have ended."""
    return [gather(stage.studio, s, stage.folder / s.id / "paper") for s in scenario.STATIONS]


def measure(stage: Stage, everyone: list[Evidence]) -> list[Promise]:
    """Every promise, measured on the evidence."""
    found: list[Promise] = []
    for evidence in everyone:
        found += [
            acceptance.planned_by_the_sky(evidence),
            acceptance.every_column_accounted_once(evidence),
            acceptance.paper_shows_the_plates(evidence),
            acceptance.no_column_twice(evidence),
            _nothing_lost(stage, evidence),
        ]
        if evidence.station.outage:
            found += [acceptance.outage_settled(evidence), acceptance.knife_follows_the_paper(evidence)]
    return [
        *found,
        acceptance.columns_on_time(everyone),
        acceptance.printed_without_the_server(everyone, stage.server_died, stage.server_back),
        _log_command(stage, "views-rebuilt-are-equal", "rebuild"),
        _log_command(stage, "log-unbroken", "verify"),
        _refused_to_guess(stage),
        _clock_change(stage),
        acceptance.calendars_hold_the_windows(_calendars(stage)),
    ]


def _calendars(stage: Stage) -> dict[str, bytes]:
    """Each venue's feed, without events of the sky."""
    return {id: stage.studio.raw(f"venues/{id}/calendar.ics?sky=") for id in scenario.VENUES}


def _nothing_lost(stage: Stage, evidence: Evidence) -> Promise:
    """Every entry of the node's journal was taken by the server."""
    journal = stage.folder / evidence.station.id / "journal.sqlite3"
    with closing(sqlite3.connect(journal)) as database:
        entries, last, accepted = database.execute("SELECT count(*), max(seq), sum(accepted) FROM entry").fetchone()
    taken = stage.studio.get(f"machines/{evidence.station.id}")["accepted_through"]
    return Promise(
        f"nothing-lost:{evidence.station.id}",
        entries == last == accepted == taken,
        {"entries_in_the_journal": entries, "acknowledged": accepted, "taken_by_the_server": taken},
    )


def _log_command(stage: Stage, name: str, command: str) -> Promise:
    """What `dayroll log` says of the server's log; it fails where something is not as it should be."""
    printed = run([sys.executable, "-m", "server", "log", command], environment(stage.folder / "server", stage.clock))
    return Promise(name, True, {"said": printed.strip().splitlines()[-1]})


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


def write(stage: Stage, everyone: list[Evidence], found: list[Promise], took_s: float) -> Path:
    """Write `report.json` and put the papers beside it, at true dots and as a view with rulers."""
    for evidence in everyone:
        id = evidence.station.id
        shutil.copy(stage.folder / id / "paper" / "paper.png", stage.folder / f"{id}-paper.png")
        (stage.folder / f"{id}-view.png").write_bytes(view(evidence))
    report: dict[str, Any] = {
        "studio": scenario.STUDIO,
        "shown_hours": scenario.HOURS,
        "seconds_shown_per_second": stage.clock.rate,
        "took_s": round(took_s, 1),
        "promises": [asdict(promise) for promise in found],
    }
    path = stage.folder / "report.json"
    numpy_to_python = operator.methodcaller("item")
    path.write_text(json.dumps(report, indent=2, default=numpy_to_python) + "\n")
    return path


def tell(found: list[Promise]) -> None:
    """The promises in words."""
    for promise in found:
        mark = "kept  " if promise.holds else "BROKEN"
        numbers = ", ".join(f"{name.replace('_', ' ')} {value}" for name, value in promise.measured.items())
        print(f"  {mark}  {promise.name:38}  {numbers}")
