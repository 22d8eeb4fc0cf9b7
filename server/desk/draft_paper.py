"""The paper that a picture is drawn for beside its form, small."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

from machines.imaging.pictures import Sheet
from scheduling.log.models import Profile
from scheduling.queries.names import find
from scheduling.queries.runs import machine_profile

# A turn is drawn so many columns wide, or as many as it has, and at most so many rows high.
WIDTH, HIGHEST = 960, 1920
# Where no machine says how large its paper is, and how fine its dots are, mm.
USUAL_MM, USUAL_HIGH_MM, USUAL_PITCH_MM = 500.0, 250.0, 0.0847


@dataclass(frozen=True)
class Paper:
    """The paper that a draft is drawn for: the sheet, small, and how fine the true dots are, mm."""

    sheet: Sheet
    column_mm: float
    dot_mm: float


def offered_papers() -> list[tuple[str, str]]:
    """The models on whose paper a picture can be looked at, by name; of the same name their ids tell them apart."""
    rows = [(row.id, row.name) for row in Profile.objects.filter(retired_at=None).order_by("name", "id")]
    shared = Counter(name for _, name in rows)
    return [(id, name if shared[name] == 1 else f"{name} ({id})") for id, name in rows]


def paper_of(profile: str | None) -> Paper:
    """That of a machine, or of any."""
    row = find(Profile, profile) if profile else None
    if row is None:
        high = round(WIDTH * USUAL_HIGH_MM / USUAL_MM)
        sheet = Sheet(columns=WIDTH, rows=high, width_mm=USUAL_MM, height_mm=USUAL_HIGH_MM)
        return Paper(sheet, USUAL_PITCH_MM, USUAL_PITCH_MM)
    model = machine_profile(profile=row.id)
    columns = min(WIDTH, model.columns_per_turn)
    rows = min(max(1, round(columns * model.print_width_mm / model.mm_per_turn)), HIGHEST)
    sheet = Sheet(
        columns=columns, rows=rows, width_mm=model.mm_per_turn, height_mm=model.print_width_mm, travel=model.travel
    )
    return Paper(sheet, model.column_pitch_mm, model.dot_pitch_mm)


def scale_in_words(profile: str | None) -> str:
    """How much smaller than on the paper a draft is."""
    paper = paper_of(profile)
    true, shown = round(paper.sheet.width_mm / paper.column_mm), paper.sheet.columns
    length = f"{paper.sheet.width_mm:g} mm of paper"
    return f"{length}, each of its {true} columns drawn" if true <= shown else f"{length}, {shown} columns for {true:,}"
