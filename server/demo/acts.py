"""What happens while the day passes, and when: what goes wrong, and what people do."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from machines.clock import utc
from machines.serialization import parse_instant
from server.demo import changes, scenario
from server.demo.processes import DemoError, environment, node_program, run_until_it_works
from server.demo.stage import Stage


@dataclass(frozen=True, order=True)
class Act:
    """Something that happens at an instant of the story."""

    at: datetime
    words: str = field(compare=False)
    do: Callable[[], None] = field(compare=False)


def acts(stage: Stage) -> list[Act]:
    """What goes wrong when, in order."""
    found = [act for station in scenario.STATIONS if station.outage for act in _node_acts(stage, station)]
    return sorted([*found, *_network_acts(stage), *_server_acts(stage), *_acts_of_people(stage)])


def _node_acts(stage: Stage, station: scenario.Station) -> list[Act]:
    outage, child = station.outage, stage.nodes[station.id]
    assert outage is not None
    back = stage.begins + timedelta(hours=outage.back_h)

    def go() -> None:
        child.kill()
        stage.goes_away(station.id)

    def come_back() -> None:
        child.start()
        stage.comes_back(station.id)

    return [
        Act(
            _middle_of_a_segment(stage, station, outage.killed_h),
            f"somebody pulls the plug of {station.name} in the middle of a segment (SIGKILL)",
            go,
        ),
        Act(back, f"{station.name} has power again; its policy is {station.policy}, its knife is disarmed", come_back),
        Act(
            stage.begins + timedelta(hours=outage.armed_h),
            f"somebody has looked at {station.name} and arms its knife",
            lambda: arm(stage, station),
        ),
    ]


def _middle_of_a_segment(stage: Stage, station: scenario.Station, hours: float) -> datetime:
    about = stage.begins + timedelta(hours=hours)
    for segment in stage.studio.all(f"runs/{station.run}/segments"):
        starts, ends = parse_instant(segment["starts_at"]), parse_instant(segment["ends_at"])
        if starts <= about < ends:
            return starts + (ends - starts) / 2
    raise DemoError(f"no segment of {station.run} is planned at {about}")


def _network_acts(stage: Stage) -> list[Act]:
    outage = scenario.NETWORK_OUTAGE
    name = next(one.name for one in scenario.STATIONS if one.id == outage.station)
    network = stage.networks[outage.station]
    gone, back = (stage.begins + timedelta(hours=h) for h in (outage.gone_h, outage.back_h))

    def go() -> None:
        network.go()
        stage.goes_away(outage.station)

    def come_back() -> None:
        network.come_back()
        stage.comes_back(outage.station)

    return [
        Act(gone, f"the network of {name} is gone for hours; it prints on, and people are told", go),
        Act(back, f"the network of {name} is there again", come_back),
    ]


def _server_acts(stage: Stage) -> list[Act]:
    def die() -> None:
        stage.server.kill()
        stage.server_died_at = utc(stage.clock.now())

    def return_() -> None:
        stage.server.start()
        stage.server_back_at = utc(stage.clock.now())

    outage = scenario.SERVER_OUTAGE
    died, back = (stage.begins + timedelta(hours=h) for h in (outage.killed_h, outage.back_h))
    return [
        Act(died, "the server dies without warning (SIGKILL); the nodes print on", die),
        Act(back, "the server is started again and takes the late reports", return_),
    ]


def _acts_of_people(stage: Stage) -> list[Act]:
    planned, stations = scenario.CHANGES, {one.id: one for one in scenario.STATIONS}
    station, followed = stations[planned.station], stations[planned.follows]
    network = stage.networks[planned.station]

    def move() -> None:
        stage.moved = changes.move_opening(stage.studio)

    def end() -> None:
        stage.ended = changes.end_run(stage.studio, station.run)

    def follow() -> None:
        stage.followed = changes.follow_run(stage.studio, followed.run, joins)

    def come_back() -> None:
        assert stage.ended is not None
        # On a busy computer the run is ended late: so long at least its board cannot hear of it.
        unheard_s = 3600.0 * (planned.back_h - planned.ended_h)
        left_s = stage.ended.at.timestamp() + unheard_s - stage.clock.now()
        time.sleep(max(0.0, stage.clock.real_s(left_s)))
        network.come_back()
        stage.network_back_at = utc(stage.clock.now())

    hours = (planned.moved_h, planned.said_h, planned.joins_h, planned.gone_h, planned.ended_h, planned.back_h)
    moved, said, joins, gone, ended, back = (stage.begins + timedelta(hours=h) for h in hours)
    return [
        Act(moved, "the studio moves the opening at first light by half an hour, and the calendar says so", move),
        Act(said, f"the studio has another picture follow on {followed.name}, from {joins:%H:%M} UTC on", follow),
        Act(gone, f"the network of {station.name} is gone; it prints on by the work that it holds", network.go),
        Act(ended, f"the studio ends the run of {station.name}, whose board cannot hear of it", end),
        Act(back, f"the network of {station.name} is there again, and its board hears of the end", come_back),
    ]


def arm(stage: Stage, station: scenario.Station) -> None:
    """Somebody at the machine looks and arms the knife, if there is one, as soon as the agent is there."""
    if station.strips_per_turn:
        home = stage.folder / station.id
        order = [*node_program(), "arm", "--home", str(home), "--yes"]
        run_until_it_works(order, environment(home, stage.clock))
