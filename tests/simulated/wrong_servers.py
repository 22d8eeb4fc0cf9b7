"""Mistakes made on purpose in the server's program, as somebody could make them; see `wrongs.py`."""

from __future__ import annotations

from contextlib import AbstractContextManager
from dataclasses import dataclass, replace
from typing import Any
from unittest.mock import patch

from tests.simulated.wrong_nodes import all_of, nothing


def copy_taken() -> AbstractContextManager[object]:
    from scheduling.nodes import reports

    return patch.object(reports, "_require_same", nothing)


def told_twice() -> AbstractContextManager[object]:
    from scheduling.nodes import reports

    return patch.object(reports, "told_twice", lambda machine, profile, entry: None)


def word_not_given() -> AbstractContextManager[object]:
    from scheduling.nodes import settlement_check

    return patch.object(settlement_check, "was_given", lambda said, run: False)


def again_for_ever() -> AbstractContextManager[object]:
    from scheduling.log.projections import runs

    return patch.object(runs, "no_longer_again", lambda rows, run, first, end: 0)


def not_concluded() -> AbstractContextManager[object]:
    from scheduling.log.projections import runs

    return patch.object(runs, "conclude", nothing)


def first_hour_forgotten() -> AbstractContextManager[object]:
    from scheduling.nodes import dispatch

    right = dispatch.offered_run

    def wrong(run: Any, offered: Any) -> Any:
        found = right(run, offered)
        return replace(found, first_unaccounted=found.first_column)

    return patch.object(dispatch, "offered_run", wrong)


def names_not_synced() -> AbstractContextManager[object]:
    from scheduling.rendering import atomic_files

    return patch.object(atomic_files, "sync_folder", nothing)


def last_taken_twice() -> AbstractContextManager[object]:
    from scheduling.log.models import Machine
    from scheduling.log.rows.row_sql import table as right
    from scheduling.nodes import reports

    def wrong(model: Any, using: str) -> Any:
        found = right(model, using)
        return found if model is not Machine else _OneLess(found)

    return patch.object(reports, "table", wrong)


@dataclass(frozen=True)
class _OneLess:
    """A table of machines of which the last entry is forgotten, where it was told but once."""

    table: Any

    def get(self, machine: str) -> Any:
        row = self.table.get(machine)
        row.accepted_through = max(0, row.accepted_through - 1)
        return row


def overdue_not_offered() -> AbstractContextManager[object]:
    from scheduling.nodes import dispatch
    from scheduling.queries.runs import segments_to_offer as right
    from server import wiring

    def wrong(run: Any, until: Any) -> Any:
        return [segment for segment in right(run, until) if segment.ends_at > wiring.now()]

    return patch.object(dispatch, "segments_to_offer", wrong)


def word_not_handed_out() -> AbstractContextManager[object]:
    from scheduling.nodes import dispatch

    return patch.object(dispatch, "active_override", lambda run: None)


def unknown_not_counted() -> AbstractContextManager[object]:
    from scheduling.log.projections import gaps as folded
    from scheduling.log.projections.runs import account as right

    def wrong(rows: Any, run: Any, interval: Any, at: Any) -> Any:
        return None if interval.outcome == "unknown" else right(rows, run, interval, at)

    return patch.object(folded, "account", wrong)


def all_told_anew() -> AbstractContextManager[object]:
    """Two walls down: nobody tells a board that is enrolled again what is there, and the server counts it again."""
    from server.accounts import enrolment

    return all_of(patch.object(enrolment, "taken_of_earlier", lambda machine: ()), told_twice())


def withdrawn_offered() -> AbstractContextManager[object]:
    """Two walls down: the run counts as one to come, and no board is told that it was taken back."""
    from scheduling.nodes import dispatch
    from scheduling.queries import runs

    to_come = runs.HAS_TO_COME.replace("withdrawn_at IS NULL AND ", "")
    return all_of(patch.object(runs, "HAS_TO_COME", to_come), patch.object(dispatch, "_ended", lambda machine: ()))


def newest_handed_out() -> AbstractContextManager[object]:
    from scheduling.nodes import dispatch
    from scheduling.queries.runs import machine_profile

    return patch.object(dispatch, "run_profile", lambda run, machine: machine_profile(profile=machine.profile_id))
