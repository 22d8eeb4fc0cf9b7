"""The day as it happens: set up, run, kill and restart, and tell it."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from machines.clock import CompressedClock, utc
from server.demo import doors, foretold, furnishing, scenario
from server.demo.acts import acts, arm
from server.demo.fleet_acts import fleet_acts
from server.demo.mail_receiver import MailReceiver
from server.demo.processes import (
    PATIENCE_S,
    DemoError,
    Studio,
    node,
    node_program,
    run,
)
from server.demo.receiver import Receiver
from server.demo.server_parts import Making
from server.demo.stage import Stage
from server.demo.time_compression import GLANCE_S, share_of_a_core
from server.demo.told import NOT_PRINTING
from server.demo.venue_network import VenueNetwork

# Intervals in seconds as shown by the clock, short enough for a day that passes in a minute.
SETTINGS = {
    "DAYROLL_POLL_AFTER_S": "900",
    "DAYROLL_SILENT_AFTER_S": "5400",
    "DAYROLL_HORIZON_H": "192",
    "DAYROLL_TELL_EVERY_S": "900",
    "DAYROLL_PRIVATE_HOOKS": "1",
}
ON_CALL, DESK = "on-call", "desk"
LOOK_EVERY_S = 0.05
TELL_EVERY_S = 2.0


def set_the_stage(folder: Path, making: Making, pace: float) -> Stage:
    """Make a server on an empty folder, under a clock that shows so many seconds a second."""
    clock = CompressedClock(time.clock_gettime(time.CLOCK_BOOTTIME), scenario.CLOCK_BEGINS.timestamp(), pace)
    mail = MailReceiver()
    served = making(folder, clock, SETTINGS | {"DAYROLL_MAIL": mail.address, "DAYROLL_MAIL_FROM": scenario.MAIL_FROM})
    return Stage(folder, clock, Studio(served.address, ""), served, Receiver(), mail)


def open_the_door(stage: Stage) -> None:
    """Start the server, and take a key of the studio's when it answers."""
    stage.server.start()
    key = [sys.executable, "-m", "server", "studio-key", "demo"]
    stage.studio.key = run(key, stage.server.environment).strip()
    stage.shares.append(share_of_a_core(GLANCE_S))


def furnish(stage: Stage) -> None:
    """Venues, profiles, machines, pictures, openings, service windows and runs, by plain HTTP."""
    studio = stage.studio
    for method, address, body in furnishing.things(scenario.OPENINGS):
        if method == "PUT":
            studio.put(address, body)
        else:
            studio.create(address, body)
    _have_somebody_told(stage)
    stage.refusal = studio.call("POST", "openings", scenario.TWICE)
    _plan_runs(stage)
    stage.say(f"{scenario.STUDIO}: three venues, three machines, three runs of {scenario.HOURS:g} hours are planned")
    _wait_for_plans(stage)
    opens_at = stage.begins + timedelta(hours=scenario.DOORS_OPEN_H)
    for station in scenario.STATIONS:
        opening = doors.fix_opening(studio, station, opens_at)
        stage.doors[station.id] = doors.ask(studio, station, opening, utc(stage.clock.now()))
    stage.say(f"doors open at every venue at {opens_at:%a %H:%M} UTC; what will hang there is asked now")


def _have_somebody_told(stage: Stage) -> None:
    """A technician on call, whose program takes webhooks, and the studio's desk, which reads mail."""
    on_call = {"id": ON_CALL, "role": "technician", "webhook": stage.receiver.address}
    desk = {"id": DESK, "role": "studio", "email": scenario.MAILBOX}
    stage.studio.put("recipients?accept=true", {"recipients": [on_call, desk]})
    stage.receiver.secret = stage.studio.get(f"recipients/{ON_CALL}/secret")["secret"]


def _plan_runs(stage: Stage) -> None:
    soon = utc(stage.clock.now()) + timedelta(hours=scenario.LEAD_HOURS)
    stage.begins = soon.replace(minute=0, second=0, microsecond=0)
    for _, address, body in furnishing.runs(stage.begins, timedelta(hours=scenario.HOURS), scenario.RUN_NAME):
        stage.studio.create(address, body)


def enrol_nodes(stage: Stage) -> None:
    """A one-time code for each board, and the board's agent started in a process of its own."""
    port = int(stage.server.nodes_address.rpartition(":")[2])
    stage.networks |= {id: VenueNetwork(port) for id in (scenario.CHANGES.station, scenario.NETWORK_OUTAGE.station)}
    for station in scenario.STATIONS:
        home = stage.folder / station.id
        address = stage.networks[station.id].address if station.id in stage.networks else stage.server.nodes_address
        code = stage.studio.create(f"machines/{station.id}/enrolment", None)["code"]
        child = node(home, stage.clock, station.skew)
        enrol = [*node_program(), "enrol", "--server", address, "--home", str(home)]
        run(enrol, child.environment, given=code)
        child.start()
        stage.nodes[station.id] = child
    for station in scenario.STATIONS:
        arm(stage, station)
    stage.say("three boards are enrolled and their agents run, each with a clock of its own that is wrong")


def slow_down(stage: Stage) -> None:
    """Start the server again with a clock that goes on from here as fast as any other, for people to look around."""
    stage.server.stop()
    stage.clock = CompressedClock(time.clock_gettime(time.CLOCK_BOOTTIME), stage.clock.now(), 1.0)
    stage.server.go_by(stage.clock)
    stage.server.start()


def play(stage: Stage) -> None:
    """Let the day pass, and return when the server has every column accounted for, and told that all is over."""
    for station in scenario.STATIONS:
        stage.foretold[station.id] = foretold.ask_before(stage.studio, station, stage.begins)
    pending = sorted([*acts(stage), *fleet_acts(stage)])
    ends = stage.begins + timedelta(hours=scenario.HOURS)
    told = 0.0
    while (now := utc(stage.clock.now())) < ends or pending:
        while pending and pending[0].at <= now:
            act = pending.pop(0)
            stage.say(act.words)
            act.do()
        if time.monotonic() - told > TELL_EVERY_S:
            told = time.monotonic()
            stage.shares.append(share_of_a_core(GLANCE_S))
            stage.say(_progress(stage, now, ends))
        time.sleep(LOOK_EVERY_S)
    _wait_until_accounted(stage)
    _wait_until_told(stage)


def _wait_for_plans(stage: Stage) -> None:
    def planned() -> bool:
        return all(stage.studio.get(f"runs/{s.run}")["planned_to_column"] > _first(stage, s) for s in scenario.STATIONS)

    _wait(stage, planned, "the server did not plan the runs")


def _first(stage: Stage, station: scenario.Station) -> int:
    return int(stage.studio.get(f"runs/{station.run}")["first_column"])


def _progress(stage: Stage, now: datetime, ends: datetime) -> str:
    share = min(1.0, max(0.0, (now - stage.begins) / (ends - stage.begins)))
    bar = "#" * round(30 * share)
    for child in (*stage.server.children, *stage.nodes.values()):
        if child.process is not None and child.process.poll() not in (None, -9):
            child.require_alive()
    return f"[{bar:<30}] {share:4.0%}  {_columns(stage)}"


def _columns(stage: Stage) -> str:
    """How many columns the server knows to be on each paper; nothing while it is dead."""
    try:
        runs = {s.name: _rows(stage, s) for s in scenario.STATIONS}
    except Exception:  # noqa: BLE001 - a dead server is part of the story
        return "(no server)"
    return "  ".join(
        f"{name} {sum(row['printed'] for row in rows)}/{rows[-1]['end_column'] - rows[0]['first_column']}"
        for name, rows in runs.items()
    )


def _rows(stage: Stage, station: scenario.Station) -> list[dict[str, Any]]:
    """A station's runs, in order."""
    return [stage.studio.get(f"runs/{run}") for run in stage.runs_of(station)]


def _wait_until_accounted(stage: Stage) -> None:
    def accounted() -> bool:
        rows = [row for station in scenario.STATIONS for row in _rows(stage, station)]
        return all(r["printed"] + r["skipped"] + r["unknown"] == r["end_column"] - r["first_column"] for r in rows)

    _wait(stage, accounted, "not every column was accounted for")
    stage.say("every planned column is accounted for")


def _wait_until_told(stage: Stage) -> None:
    def told() -> bool:
        lasts = [one for one in stage.studio.all("matters") if one["kind"] in NOT_PRINTING and one["over_at"] is None]
        waits = [one for one in stage.studio.all("messages") if one["sent_at"] is one["given_up_at"] is None]
        return not lasts and not waits

    _wait(stage, told, "not everything was told as over")


def _wait(stage: Stage, until: Callable[[], bool], complaint: str) -> None:
    deadline = time.monotonic() + PATIENCE_S
    while not until():
        if time.monotonic() > deadline:
            raise DemoError(f"{complaint} within {PATIENCE_S:.0f} s; see the logs in {stage.folder}")
        time.sleep(LOOK_EVERY_S)
