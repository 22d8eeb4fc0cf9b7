"""What is on the paper and in the log, read from the outside: PNG files, the machine's ledger, the API."""

from __future__ import annotations

import io
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from machines.drivers.simulated.paper import Paper, read_paper
from machines.imaging.plate import Plate
from machines.model.profile import Profile
from machines.protocol.journal_entries import ColumnsPrinted, GapSettled, KnifeArmed, NodeStarted, StripCut, TrueAgain
from machines.serialization import parse_instant, structure
from server.demo.processes import Studio
from server.demo.scenario import PROFILES, Station


@dataclass(frozen=True, eq=False, kw_only=True)
class Evidence:
    """All that can be known of one station from outside.

    Attributes:
        station: which.
        profile: of its machine.
        run: the run as the API shows it.
        segments: the run's segments as the API shows them.
        printed, gaps, true_again, cuts, armed, started: the machine's events, in order.
        told_after_s: for each printed stretch, how long after its last column the server took the report, seconds.
        differed: how often the server would have settled otherwise.
        plates: digest to plate.
        picture: the dots of the paper's PNG in phase order, shape (dots_across, places).
        paper: the machine's own ledger of what it laid when.
    """

    station: Station
    profile: Profile
    run: dict[str, Any]
    segments: list[dict[str, Any]]
    printed: list[ColumnsPrinted]
    gaps: list[GapSettled]
    true_again: list[TrueAgain]
    cuts: list[StripCut]
    armed: list[KnifeArmed]
    started: list[NodeStarted]
    told_after_s: list[float]
    differed: int
    plates: dict[str, Plate]
    picture: NDArray[np.bool_]
    paper: Paper

    @property
    def span(self) -> tuple[int, int]:
        """First running column of the run, and its end."""
        return self.run["first_column"], self.run["end_column"]

    def plate_of(self, segment: int) -> Plate:
        """The plate that holds the dots of a segment."""
        return self.plates[next(row["plate"] for row in self.segments if row["number"] == segment)]

    def plate_dots(self, first: int, end: int) -> NDArray[np.bool_]:
        """What the plates say of running columns, shape (dots_across, end - first)."""
        parts = [
            self.plates[row["plate"]].running(max(first, row["first_column"]), min(end, row["end_column"]))
            for row in self.segments
            if row["first_column"] < end and row["end_column"] > first
        ]
        return np.concatenate(parts, axis=1) if parts else np.zeros((self.profile.dots_across, 0), dtype=np.bool_)


def gather(studio: Studio, station: Station, machine_folder: Path) -> Evidence:
    """Read everything of a station, after its node has ended."""
    facts = studio.all(f"events?stream=machine/{station.id}")
    segments = studio.all(f"runs/{station.run}/segments")

    def of(kind: str, cls: Any) -> list[Any]:
        return [structure(fact["data"], cls) for fact in facts if fact["kind"] == kind]

    profile = Profile.from_json(PROFILES[station.profile])
    return Evidence(
        station=station,
        profile=profile,
        run=studio.get(f"runs/{station.run}"),
        segments=segments,
        printed=of("columns-printed", ColumnsPrinted),
        gaps=of("gap-settled", GapSettled),
        true_again=of("true-again", TrueAgain),
        cuts=of("strip-cut", StripCut),
        armed=of("knife-armed", KnifeArmed),
        started=of("node-started", NodeStarted),
        told_after_s=[_lag_s(fact) for fact in facts if fact["kind"] == "columns-printed"],
        differed=sum(fact["kind"] == "settlement-differed" for fact in facts),
        plates={
            digest: Plate.from_png(studio.raw(f"plates/{digest}.png"))
            for digest in sorted({row["plate"] for row in segments})
        },
        picture=read_picture(machine_folder / "paper.png", profile),
        paper=read_paper(machine_folder),
    )


def _lag_s(fact: dict[str, Any]) -> float:
    said_at: datetime = parse_instant(fact["said_at"])
    return (said_at - parse_instant(fact["happened_at"])).total_seconds()


def read_picture(png: Path, profile: Profile) -> NDArray[np.bool_]:
    """The dots of a paper's PNG, turned from the viewer's order into the order in which they were laid."""
    with Image.open(io.BytesIO(png.read_bytes())) as image:
        dots = ~np.asarray(image.convert("1"))
    return dots[:, ::-1] if profile.travel == "right" else dots
