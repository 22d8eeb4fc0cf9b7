"""By how much more or less a change of a run prints: paper, cuts and ink."""

from __future__ import annotations

from dataclasses import dataclass, replace

from machines.model.profile import Profile
from machines.model.slots import boundary_count
from machines.model.supplies import use
from scheduling.commands.changes import Figures
from scheduling.log.models import Run
from scheduling.rendering.plate_store import PlateGone, PlateStore
from scheduling.rendering.upload_store import UploadStore
from scheduling.supplies.consumption import planned_dots


@dataclass(frozen=True, kw_only=True)
class Stores:
    """Where files lie that a change of a run is looked at by.

    Attributes:
        uploads: those of sources; None where no source has one.
        plates: for the ink; None where it is not asked for.
    """

    uploads: UploadStore | None = None
    plates: PlateStore | None = None


NO_STORES = Stores()
NOTHING = Figures(columns=0, paper_m=0.0, cuts=0, ink_ml=0.0)


def figures_of(run: Run, columns: range, profile: Profile, plates: PlateStore | None) -> Figures:
    """What some running columns of a run use.

    Args:
        run: of which some turns have plates.
        columns: which.
        profile: of its machine.
        plates: where plates lie; None leaves the ink out.
    """
    cuts = boundary_count(columns.start, columns.stop, profile.columns_per_turn, run.strips_per_turn)
    dots = None if plates is None else _dots(run, columns, profile, plates)
    return Figures(
        columns=len(columns),
        paper_m=len(columns) * profile.column_pitch_mm / 1000.0,
        cuts=cuts if profile.knife else 0,
        ink_ml=None if dots is None else use(profile, columns=0, dots=round(dots)).picture_ml,
    )


def instead(after: Figures, before: Figures) -> Figures:
    """By how much more is printed where one thing is printed instead of another."""
    is_known = after.ink_ml is not None and before.ink_ml is not None
    return Figures(
        columns=after.columns - before.columns,
        paper_m=after.paper_m - before.paper_m,
        cuts=after.cuts - before.cuts,
        ink_ml=(after.ink_ml or 0.0) - (before.ink_ml or 0.0) if is_known else None,
    )


@dataclass(frozen=True, eq=False)
class Printed:
    """Some running columns of a run, and the model by which they are printed."""

    run: Run
    columns: range
    profile: Profile


def printed_instead(after: Printed, before: Printed, plates: PlateStore | None) -> Figures:
    """By how much more is printed where some columns, which have no plates of their own yet, are printed instead of
    others. The ink is known where machine and picture stay: what has plates of them tells of both."""
    of_picture = ("machine_id", "source_id", "source_version")
    is_same = all(getattr(before.run, name) == getattr(after.run, name) for name in of_picture)
    known = plates if is_same else None
    as_dark = figures_of(before.run, after.columns, after.profile, known)
    will_be = replace(figures_of(after.run, after.columns, after.profile, None), ink_ml=as_dark.ink_ml)
    return instead(will_be, figures_of(before.run, before.columns, before.profile, known))


def in_words(figures: Figures) -> str:
    """Without their signs."""
    ink = "" if not figures.ink_ml else f", {abs(figures.ink_ml):.2f} ml of ink"
    return f"{abs(figures.paper_m):.3f} m of paper, {abs(figures.cuts)} cuts{ink}"


def _dots(run: Run, columns: range, profile: Profile, plates: PlateStore) -> float | None:
    """Their dots; a column without a plate is as dark as those of the turn that was planned last. None where no plate
    tells."""
    newest = range(max(run.first_column, run.planned_to_column - profile.columns_per_turn), run.planned_to_column)
    try:
        found, dots = planned_dots(run, columns, profile, plates)
        if found == len(columns):
            return float(dots)
        known, of_known = planned_dots(run, newest, profile, plates)
    except PlateGone:
        return None
    return dots + of_known / known * (len(columns) - found) if known else None
