"""Whether work can be a server's, looked at before it is held: the print loop reckons with whatever is held."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from typing import Any

from machines.errors import InputError
from machines.model.calibration import UNCALIBRATED
from machines.model.profile import Profile
from machines.protocol.messages import JournalPosition, RunWork, SegmentWork, Work, pace
from machines.serialization import unstructure

# Running columns beyond this cannot be told apart in the count of turns; no plan has them.
LARGEST_COLUMN = 2**50
LARGEST_SEED = 2**63
# From a minute, for something small to try, to a thousand years.
LEAST_TURN_S, LONGEST_TURN_S = 60.0, 4e10
# No timeline waits for thirty years.
LONGEST_SHIFT_S = 1e9
# No clock that tells another year is right. Far instants cannot be reckoned with: the calendar ends with 9999.
FIRST_YEAR, YEARS_END = 2000, 2200
# What describes a machine and its policy, in millimetres, amperes, picolitres, hours and so on, is 0 or of this size.
LEAST_SIZE, LARGEST_SIZE = 1e-9, 1e9
# One a turn for as long as work is held; each is as large as the machine says.
MOST_PLATES = 5_000
# Of a name that people gave a machine or a venue, or of a zone.
LONGEST_SAID = 120
DIGEST = re.compile("[0-9a-f]{64}")
# What goes into a header of each call, and onto pages.
TOKEN = re.compile("[!-~]{1,200}")
MACHINE = re.compile("[a-z0-9-]{1,120}")


def has_plausible_year(instant: datetime) -> bool:
    """Whether an instant is of a time in which a machine can stand."""
    return FIRST_YEAR <= instant.year < YEARS_END


def require_plausible(work: Work) -> None:
    """Nothing if it can be a server's.

    Raises:
        InputError: it holds something that no server of ours sends, and that could not be printed by.
    """
    _require(all(map(DIGEST.fullmatch, work.plates)), "plates", "a plate's name is no digest")
    _require(len(work.plates) <= MOST_PLATES, "plates", f"{len(work.plates)} plates")
    for name in ("profile", "calibration", "policy", "override"):
        described = getattr(work, name)
        _require(described is None or _is_sized(unstructure(described)), name, "a number of no machine's size")
    for name, hours in (("closed", work.closed), ("quiet", work.quiet)):
        instants = [instant for span in hours for instant in (span.starts_at, span.ends_at)]
        _require(all(map(has_plausible_year, instants)), name, "hours of another age")
    (work.calibration or UNCALIBRATED).check(work.profile)
    if (stands := work.stands) is not None:
        names = (stands.machine, stands.venue, stands.zone)
        _require(all(0 < len(name) <= LONGEST_SAID for name in names), "stands", "a name of no venue or machine")
    if work.run is None:
        _require(not work.segments, "segments", "segments without a run")
        _require(work.following is None, "following", "a run that follows none")
        return
    _require_printable(work.run, work.segments, work.profile)
    if (then := work.following) is not None:
        _require(_is_sized(unstructure(then.policy)), "following.policy", "a number of no machine's size")
        _require(then.run.id != work.run.id, "following.run", f"run {then.run.id!r} follows itself")
        _require(bool(then.segments), "following.segments", "none of a run that follows")
        profile = then.profile or work.profile
        _require(_is_sized(unstructure(profile)), "following.profile", "a number of no machine's size")
        _require(is_same_machine(work, replace(work, profile=profile)), "following.profile", "another machine's dots")
        (work.calibration or UNCALIBRATED).check(profile)
        _require_printable(then.run, then.segments, profile)


def _require_printable(run: RunWork, segments: Sequence[SegmentWork], profile: Profile) -> None:
    """A run that the machine can print, and segments of it that follow each other."""
    _require_run(run, profile.columns_per_turn)
    pace(profile, run)
    end = run.first_column
    for segment in segments:
        _require_segment(segment, end, run)
        end = segment.end_column


def require_a_servers(
    token: str, machine: str, numbers: Sequence[int], earlier: Sequence[JournalPosition] = ()
) -> None:
    """Nothing if what enrolment gave can be kept and used.

    Args:
        token, machine: what goes with each call, and which machine it is for.
        numbers: the epoch, and columns of paper that are fed.
        earlier: how much the server has of other journals.

    Raises:
        InputError: no server of ours gives it.
    """
    _require(TOKEN.fullmatch(token) is not None, "token", "it cannot stand in a header")
    _require(MACHINE.fullmatch(machine) is not None, "machine", "that is no id")
    counts = [*numbers, *(count for one in earlier for count in (one.epoch, one.through))]
    _require(all(0 <= count <= LARGEST_COLUMN for count in counts), "epoch", "a number that no server counts to")


def is_same_machine(before: Work | None, now: Work) -> bool:
    """Whether work is for the machine that work was for before, as far as its dots tell; no machine gets others."""
    if before is None:
        return True
    old, new = before.profile, now.profile
    return (old.columns_per_turn, old.dots_across) == (new.columns_per_turn, new.dots_across)


def _is_sized(value: Any) -> bool:
    """Whether every number in it has a size that can be reckoned with."""
    if isinstance(value, dict | list | tuple):
        return all(map(_is_sized, value.values() if isinstance(value, dict) else value))
    is_number = isinstance(value, int | float) and not isinstance(value, bool)
    return not is_number or value == 0 or LEAST_SIZE <= abs(value) <= LARGEST_SIZE


def _require_run(run: RunWork, columns_per_turn: int) -> None:
    first, end = run.first_column, run.end_column
    _require(-LARGEST_COLUMN <= first < end <= LARGEST_COLUMN, "run", f"columns {first} to {end}")
    _require(0 <= run.strips_per_turn <= columns_per_turn, "run.strips_per_turn", f"{run.strips_per_turn} strips")
    _require(0 <= run.nozzle_seed < LARGEST_SEED, "run.nozzle_seed", f"a seed of {run.nozzle_seed}")
    _require(LEAST_TURN_S <= run.mean_turn_s <= LONGEST_TURN_S, "run.mean_turn_s", f"a turn of {run.mean_turn_s} s")
    _require(run.shift_s <= LONGEST_SHIFT_S, "run.shift_s", f"a wait of {run.shift_s} s")
    ends = [instant for one in run.recesses for instant in (one.starts_at, one.ends_at) if instant is not None]
    _require(all(map(has_plausible_year, ends)), "run.recesses", "a recess of another age")
    told = run.first_unaccounted
    _require(told is None or first <= told <= end, "run.first_unaccounted", f"column {told} of {first} to {end}")


def _require_segment(segment: SegmentWork, after: int, run: RunWork) -> None:
    """Segments follow each other and lie in the run."""
    columns = f"columns {segment.first_column} to {segment.end_column}"
    _require(after <= segment.first_column < segment.end_column <= run.end_column, "segments", columns)
    _require(abs(segment.number) <= LARGEST_COLUMN, "segments", f"number {segment.number}")
    _require(DIGEST.fullmatch(segment.plate) is not None, "segments", "a plate's name is no digest")
    _require(all(map(has_plausible_year, (segment.knots[0], segment.knots[-1]))), "segments", "instants of another age")


def _require(plausible: bool, field: str, problem: str) -> None:
    if not plausible:
        raise InputError(field, f"not a server's: {problem}"[:200], "nothing can be printed by it; ask again")
