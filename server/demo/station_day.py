"""What a day of one station has left, read from the outside."""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from machines.drivers.simulated.paper import read_paper
from machines.model.profile import Profile
from server.demo.judging.evidence import Evidence
from server.demo.judging.gathering import gather, read_journal, read_standing
from server.demo.processes import Studio
from server.demo.scenario import PROFILES, Station


@dataclass(frozen=True, eq=False)
class StationDay:
    """A station and what it has left; its paper's dots are those of the PNG."""

    station: Station
    evidence: Evidence

    @property
    def run(self) -> dict[str, Any]:
        """Its run as the API shows it; the first of them, where another followed."""
        return self.evidence.runs[0]

    @property
    def span(self) -> tuple[int, int]:
        """First running column of the run, and its end; that of the last, where others followed."""
        return self.run["first_column"], self.evidence.runs[-1]["end_column"]


def read_day(studio: Studio, station: Station, home: Path, runs: Sequence[str]) -> StationDay:
    """Read everything of a station and its runs, after its node has ended; ``home`` is the node's folder."""
    profile, folder = Profile.from_json(PROFILES[station.profile]), home / "paper"
    paper = replace(read_paper(folder), dots=read_picture(folder / "paper.png", profile))
    journal = home / "journal.sqlite3"
    told, stands = read_journal(journal), read_standing(journal)
    found = gather(studio, station.id, runs, profile=profile, paper=paper, journal=told, stands=stands)
    return StationDay(station, found)


def read_picture(png: Path, profile: Profile) -> NDArray[np.bool_]:
    """The dots of a paper's PNG, turned from the viewer's order into the order in which they were laid."""
    with Image.open(io.BytesIO(png.read_bytes())) as image:
        dots = ~np.asarray(image.convert("1"))
    return dots[:, ::-1] if profile.travel == "right" else dots
