"""Reading what a machine has left: its board's journal, and what the server shows of it."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable, Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

from machines.drivers.simulated.paper import Paper
from machines.imaging.plate import Plate
from machines.model.profile import Profile
from machines.serialization import parse_instant, structure
from scheduling.planning.quiet_hours import QuietHours
from scheduling.sky.zones import zone
from server.demo.judging.evidence import Evidence, Standing
from server.demo.processes import Studio


def gather(
    studio: Studio,
    machine: str,
    run_ids: Iterable[str],
    *,
    profile: Profile,
    paper: Paper,
    journal: list[tuple[dict[str, Any], bool]],
    stands: Standing | None = None,
) -> Evidence:
    """What is known of a machine when nothing runs any more but the server.

    Args:
        studio: the way into the API.
        machine: its id.
        run_ids: of its runs, in order; one that the server has forgotten is left out.
        profile: of the machine.
        paper: that lies on it.
        journal: entries of its board's, see `read_journal`.
        stands: how it stands by that, see `read_standing`; None where nobody looked.

    Raises:
        DemoError: the server does not answer.
    """
    runs = [row for status, row in (studio.call("GET", f"runs/{run}") for run in run_ids) if status == 200]
    segments = [row for run in runs for row in studio.all(f"runs/{run['id']}/segments")]
    shown = studio.get(f"machines/{machine}")
    venue = studio.get(f"venues/{shown['venue']}")
    said = [one for one in studio.all(f"events?stream=venue/{venue['id']}") if one["kind"] == "quiet-hours-set"]
    digests = sorted({row["plate"] for row in segments})
    return Evidence(
        profile=profile,
        profiles=dict(_profiles(studio, runs)),
        paper=paper,
        runs=runs,
        segments=segments,
        machine=shown,
        facts=studio.all(f"events?stream=machine/{machine}"),
        journal=journal,
        stands=stands,
        plates={digest: Plate.from_png(studio.raw(f"plates/{digest}.png")) for digest in digests},
        quiet_said=[(parse_instant(one["said_at"]), structure(one["data"]["quiet"], QuietHours)) for one in said],
        clock=zone(venue["zone"]),
    )


def _profiles(studio: Studio, runs: Iterable[dict[str, Any]]) -> Iterator[tuple[str, Profile]]:
    """By which each run was planned."""
    said: dict[str, list[dict[str, Any]]] = {}
    for run in runs:
        if (id := run["profile"]) is not None:
            said[id] = said.get(id) or studio.get(f"profiles/{id}/versions")["versions"]
            (own,) = (one for one in said[id] if one["version"] == run["profile_version"])
            yield run["id"], Profile.from_json(own["said"]["profile"])


def read_journal(file: Path) -> list[tuple[dict[str, Any], bool]]:
    """The entries of a journal, in order, with whether each is known to be taken."""
    with closing(sqlite3.connect(file)) as database:
        rows = database.execute("SELECT body, accepted FROM entry ORDER BY seq").fetchall()
    return [(json.loads(body), bool(accepted)) for body, accepted in rows]


def read_standing(file: Path) -> Standing:
    """How the machine stands by a journal."""
    with closing(sqlite3.connect(file)) as database:
        hold, conditions, armed = database.execute("SELECT hold, conditions, knife_armed FROM state").fetchone()
    return Standing(hold=hold, conditions=conditions.split(), knife_armed=bool(armed))
