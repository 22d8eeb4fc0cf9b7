"""Saltmarsh Works, a studio of our own invention, and a day of its three machines that goes wrong in four ways.

The zones make time hard: half an hour off (St. John's), a clock change in the middle of the run (Lisbon, on
25 October 2026 at 01:00 UTC), and 45 minutes off in southern summer time (Chatham Islands).
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

STUDIO = "Saltmarsh Works"
# Whom mail is from, and whom it is for.
MAIL_FROM, MAILBOX = "dayroll@saltmarsh.example", "desk@saltmarsh.example"

# Where the compressed clock begins; the runs follow when everything is set up.
CLOCK_BEGINS = datetime(2026, 10, 24, 6, 0, tzinfo=UTC)
SECONDS_SHOWN_PER_SECOND = 1400.0  # at most; see `server.demo.time_compression`
HOURS = 24.25
# From planning the runs to their first column, so that plates can be drawn, openings asked of and nodes can fetch them.
LEAD_HOURS = 6.0
# The last of the id of each run.
RUN_NAME = "october"

VENUES: dict[str, dict[str, Any]] = {
    "fog-loft": {
        "name": "The Fog Loft, St. John's",
        "latitude_degrees": 47.57,
        "longitude_degrees": -52.70,
        "elevation_m": 20.0,
        "zone": "America/St_Johns",
    },
    "tile-hall": {
        "name": "Tile Hall, Lisbon",
        "latitude_degrees": 38.71,
        "longitude_degrees": -9.14,
        "elevation_m": 40.0,
        "zone": "Europe/Lisbon",
    },
    "lagoon-room": {
        "name": "Lagoon Room, Chatham Islands",
        "latitude_degrees": -43.95,
        "longitude_degrees": -176.56,
        "elevation_m": 5.0,
        "zone": "Pacific/Chatham",
    },
}

# By the clocks of each venue; what is not named is closed.
OPEN_DAYS: dict[str, dict[str, list[dict[str, str]]]] = {
    "fog-loft": {day: [{"opens": "11:00", "closes": "18:00"}] for day in ("thursday", "friday", "saturday", "sunday")},
    "tile-hall": {
        "saturday": [{"opens": "10:00", "closes": "13:00"}, {"opens": "15:00", "closes": "20:00"}],
        "sunday": [{"opens": "15:00", "closes": "20:00"}],
    },
    "lagoon-room": {day: [{"opens": "09:30", "closes": "16:30"}] for day in ("monday", "wednesday", "friday")},
}

# Whom to ring at each venue, the first to be tried first. A number of three digits is one of the house.
CONTACTS: dict[str, list[dict[str, str]]] = {
    "fog-loft": [
        {"role": "technician", "name": "Loft desk", "telephone": "+1 709 555 0142", "when": "from 11 to 18"},
        {"role": "studio", "name": "Saltmarsh Works", "email": "machines@saltmarsh.example"},
    ],
    "tile-hall": [
        {"role": "house", "name": "Portaria", "telephone": "117", "when": "dia e noite"},
        {"role": "studio", "name": "Saltmarsh Works", "email": "machines@saltmarsh.example"},
    ],
    "lagoon-room": [
        {"role": "technician", "name": "Workshop by the lagoon", "telephone": "204", "when": "on weekdays"},
        {"role": "studio", "name": "Saltmarsh Works", "email": "machines@saltmarsh.example"},
    ],
}

# When somebody with hands comes to change roll, cartridge or blade: by the clocks of each venue, while it is closed.
SERVICE_WINDOWS: dict[str, dict[str, Any]] = {
    "before-thursday": {
        "venue": "fog-loft",
        "name": "Thursday before the doors open",
        "comes": {"kind": "weekly", "weekday": "thursday", "begins": "09:00", "ends": "10:30"},
    },
    "sunday-round": {
        "venue": "tile-hall",
        "name": "Sunday round",
        "comes": {"kind": "weekly", "weekday": "sunday", "begins": "13:00", "ends": "14:30"},
    },
    "lagoon-tuesday": {
        "venue": "lagoon-room",
        "name": "Tuesday at the lagoon",
        "comes": {"kind": "weekly", "weekday": "tuesday", "begins": "10:00", "ends": "12:15"},
    },
}

# How often a nozzle that stands idle fires into the waste.
IDLE_FIRING = {"drops": 40, "every_s": 3600.0}

PROFILES: dict[str, dict[str, Any]] = {
    "heron": {
        "name": "Heron, a carriage in bursts",
        "columns_per_turn": 840,
        "mm_per_turn": 480.0,
        "dots_across": 315,
        "print_width_mm": 180.0,
        "columns_per_burst": 14,
        "highest_mm_per_hour": 80.0,
        "head": {
            "kind": "carriage",
            "nozzles": 12,
            "passes": 3,
            "drop_pl": 10.0,
            "idle_firing": IDLE_FIRING,
            "cartridge_ml": 40.0,
        },
        "knife": {"head_to_knife_mm": 60.0, "cuts_per_blade": 4000},
        "media": {"width_mm": 210.0, "caliper_mm": 0.105, "roll_m": 50.0},
    },
    "lantern": {
        "name": "Lantern, a line head that crawls",
        "columns_per_turn": 900,
        "mm_per_turn": 360.0,
        "dots_across": 350,
        "print_width_mm": 140.0,
        "columns_per_burst": 1,
        "highest_mm_per_hour": 60.0,
        "head": {"kind": "line", "dot_current_a": 0.03, "supply_current_a": 2.0, "strobe_s": 0.002},
        "media": {"width_mm": 160.0, "caliper_mm": 0.08, "roll_m": 60.0},
    },
    "curlew": {
        "name": "Curlew, a carriage for the Moon",
        "columns_per_turn": 900,
        "mm_per_turn": 400.0,
        "dots_across": 360,
        "print_width_mm": 160.0,
        "columns_per_burst": 15,
        "highest_mm_per_hour": 48.0,
        "head": {
            "kind": "carriage",
            "nozzles": 10,
            "passes": 2,
            "drop_pl": 10.0,
            "idle_firing": IDLE_FIRING,
            "cartridge_ml": 25.0,
        },
        "knife": {"head_to_knife_mm": 40.0, "cuts_per_blade": 4000},
        "media": {"width_mm": 200.0, "caliper_mm": 0.105, "roll_m": 50.0},
    },
}

SOURCES: dict[str, dict[str, Any]] = {
    "land": {
        "name": "The land of the world",
        "picture": {"kind": "map", "projection": "mercator"},
    },
    "star-belt": {
        "name": "The star belt",
        "picture": {"kind": "stars", "south_degrees": -50.0, "north_degrees": 50.0},
    },
    "moon": {
        "name": "The Moon of the turn",
        "picture": {
            "kind": "moon",
            "diameter_mm": 110.0,
            "discs": 3,
            "lit_ink": 0.0,
            "dark_ink": 0.8,
            "sky_ink": 0.3,
        },
    },
    "northern-stars": {
        "name": "The stars of the north",
        "picture": {"kind": "stars", "south_degrees": -10.0, "north_degrees": 80.0},
    },
}


@dataclass(frozen=True)
class Outage:
    """A node loses power without warning and gets it back; hours from the beginning of the runs.

    Attributes:
        killed_h: about when; the middle of the segment printed then.
        back_h: when it starts again.
        armed_h: when somebody at the venue has looked and arms the knife: late enough that a strip has passed it uncut,
            wherever the run begins.
    """

    killed_h: float
    back_h: float
    armed_h: float


@dataclass(frozen=True)
class Station:
    """A machine with its node and its run.

    Attributes:
        skew: how wrong the board's clock is, seconds and parts per million, as ``DAYROLL_CLOCK_SKEW``.
    """

    id: str
    name: str
    venue: str
    profile: str
    source: str
    cycle: str
    policy: str
    strips_per_turn: int
    skew: str
    outage: Outage | None = None

    @property
    def run(self) -> str:
        """The id of its run."""
        return f"{self.id}-{RUN_NAME}"


STATIONS = (
    Station(
        id="heron-1",
        name="Heron 1",
        venue="fog-loft",
        profile="heron",
        source="land",
        cycle="apparent-solar-day",
        policy="skip",
        strips_per_turn=24,
        skew="-86400:40",
        outage=Outage(killed_h=8.5, back_h=11.5, armed_h=13.75),
    ),
    Station(
        id="lantern-1",
        name="Lantern 1",
        venue="tile-hall",
        profile="lantern",
        source="star-belt",
        cycle="sidereal-day",
        policy="skip",
        strips_per_turn=0,
        skew="37:-25",
    ),
    Station(
        id="curlew-1",
        name="Curlew 1",
        venue="lagoon-room",
        profile="curlew",
        source="moon",
        cycle="lunar-day",
        policy="replay",
        strips_per_turn=12,
        skew="1200:15",
        outage=Outage(killed_h=4.0, back_h=7.0, armed_h=8.5),
    ),
)


@dataclass(frozen=True)
class ServerOutage:
    """The server dies without warning and is started again; hours from the beginning of the runs."""

    killed_h: float
    back_h: float


SERVER_OUTAGE = ServerOutage(killed_h=15.0, back_h=19.0)


@dataclass(frozen=True)
class NetworkOutage:
    """The network of a machine is gone for so long that people are told; hours from the beginning of the runs."""

    station: str
    gone_h: float
    back_h: float


NETWORK_OUTAGE = NetworkOutage(station="lantern-1", gone_h=8.8, back_h=12.2)


@dataclass(frozen=True)
class Changes:
    """What the studio says otherwise while the day passes; hours from the beginning of the runs.

    Attributes:
        opening, moves, moved_h: which opening moves, what of its anchor changes, and when.
        later: by how much later its doors open then.
        station, gone_h, ended_h, back_h: whose network goes and comes back, and when its run is ended meanwhile.
        follows, source, said_h, joins_h: whose run another one follows, of which picture, when that is said, and from
            when on.
    """

    opening: str
    moves: dict[str, Any]
    later: timedelta
    moved_h: float
    station: str
    gone_h: float
    ended_h: float
    back_h: float
    follows: str
    source: str
    said_h: float
    joins_h: float


CHANGES = Changes(
    opening="first-light",
    moves={"offset": "PT40M"},
    later=timedelta(minutes=30),
    moved_h=2.0,
    station="curlew-1",
    gone_h=21.1,
    ended_h=21.5,
    back_h=22.4,
    follows="lantern-1",
    source="northern-stars",
    said_h=12.5,
    joins_h=22.5,
)

# Doors that open at every venue, hours from the beginning of the runs: what hangs there then is asked a day before.
DOORS_OPEN_H = 22.25

OPENINGS: dict[str, dict[str, Any]] = {
    "first-light": {
        "venue": "fog-loft",
        "name": "Doors open at first light",
        "anchor": {"event": "sunrise", "date": "2026-10-26", "offset": "PT10M"},
    },
    "evening-cut": {
        "venue": "tile-hall",
        "name": "The evening after the clocks change",
        "anchor": {"event": "sunset", "date": "2026-10-25", "offset": "-PT40M"},
    },
    "lagoon-morning": {
        "venue": "lagoon-room",
        "name": "Morning at the lagoon",
        "anchor": {"civil": "2026-10-26T09:30:00", "zone": "Pacific/Chatham"},
    },
}
# Lisbon's clocks go back at 02:00 summer time: 01:30 comes twice that night, and the server must refuse to guess.
TWICE = {
    "id": "half-past-one",
    "venue": "tile-hall",
    "name": "Half past one, but which?",
    "anchor": {"civil": "2026-10-25T01:30:00", "zone": "Europe/Lisbon"},
}
