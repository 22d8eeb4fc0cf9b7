"""The papers as people look at them: the newest unbroken stretch, with rulers: millimetres, civil time, the sky."""

from __future__ import annotations

import numpy as np

from machines.imaging.proof import view_png
from machines.imaging.rulers import longitude_ruler, mm_ruler, right_ascension_ruler, time_ruler
from machines.protocol.journal_entries import StripCut
from scheduling.planning.timeline import Timeline
from scheduling.sky import cycles
from scheduling.sky.zones import zone
from server.demo import scenario
from server.demo.judging.evidence import Evidence
from server.demo.station_day import StationDay


def view(day: StationDay) -> bytes:
    """A PNG of the paper from the last place where columns were left out to its end."""
    station, evidence = day.station, day.evidence
    profile, dots = evidence.profile, evidence.paper.dots
    first, place = _newest_stretch(evidence)
    dots = dots[:, place:]
    end = first + dots.shape[1]
    timeline = Timeline(cycles.get(station.cycle), profile.columns_per_turn, day.run["segments_per_turn"])
    civil = time_ruler(
        timeline.instants(np.arange(first, end + 1)), first, zone(scenario.VENUES[station.venue]["zone"])
    )
    sky = {
        "apparent-solar-day": longitude_ruler(profile, first, end),
        "sidereal-day": right_ascension_ruler(profile, first, end),
    }.get(station.cycle)
    cuts = [cut.boundary for cut in evidence.of(StripCut) if cut.made and first < cut.boundary < end]
    above = [civil] if sky is None else [sky, civil]
    return view_png(dots, profile, first, above=above, below=[mm_ruler(profile, first, end)], cuts=cuts)


def _newest_stretch(evidence: Evidence) -> tuple[int, int]:
    """Running column and place on the paper from which columns lie side by side to the end."""
    laid = evidence.paper.laid
    shifts = laid["column"] - laid["place"]
    start = int(np.flatnonzero(shifts != shifts[-1])[-1]) + 1 if np.any(shifts != shifts[-1]) else 0
    return int(laid["column"][start]), int(laid["place"][start])
