"""The tag of a machine's work, kept as long as nothing moves it: nearly every poll of a node asks for the same again.

What a node should hold follows from what is said of its machine, venue, profile and runs, and from the time:

    streams of the log        their newest digests, which no other past has
    the views                 that none is set aside, and none was put right since
    the time                  up to the next run, segment or day that it would bring in

Only the tag is kept, in each process by itself, and nobody else has to be told: whoever asks reads the first two anew.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from django.db import DEFAULT_DB_ALIAS

from scheduling.log import batched_sql
from scheduling.log.codec.canonical_json import canonical
from scheduling.log.models import Run, Segment
from scheduling.log.rows.row_sql import table
from scheduling.nodes.dispatch import work_for
from scheduling.queries.runs import HAS_TO_COME, SAID_ANEW, next_runs

# A node asks for one horizon all its life; whoever asks for many has the others forgotten.
MOST_KEPT = 10_000

_HEAD = "(SELECT digest FROM log_event WHERE stream = {} ORDER BY version DESC LIMIT 1)"
_BASIS = f"""
    SELECT 'machine', {_HEAD.format("'machine/' || id")} FROM log_machine WHERE id = %s
    UNION ALL SELECT 'venue', {_HEAD.format("'venue/' || venue_id")} FROM log_machine WHERE id = %s
    UNION ALL SELECT 'profile', {_HEAD.format("'profile/' || profile_id")} FROM log_machine WHERE id = %s
    UNION ALL SELECT id, {_HEAD.format("'run/' || id")} FROM log_run
        WHERE machine_id = %s AND ({HAS_TO_COME} OR {SAID_ANEW})
    UNION ALL SELECT view, CAST(times AS TEXT) FROM log_foldedagain
    UNION ALL SELECT view, NULL FROM log_brokenview
"""

Basis = frozenset[tuple[str, str | None]]


@dataclass(frozen=True)
class WorkQuery:
    """A question for work: of which machine, how far ahead, and when the node is to ask again, seconds."""

    machine: str
    horizon: timedelta
    poll_after_s: float


@dataclass(frozen=True)
class _Kept:
    """A tag.

    Attributes:
        basis: what it stands on.
        since, until: by the clock it holds from the first to before the second.
    """

    tag: str
    basis: Basis
    since: datetime
    until: datetime


_kept: dict[WorkQuery, _Kept] = {}


def basis_of(machine: str) -> Basis | None:
    """What a machine's work stands on, but for the time; None while a view is set aside, and so does not tell all that
    is said."""
    (found,) = batched_sql.run([(_BASIS, (machine,) * 4)], using=DEFAULT_DB_ALIAS)
    basis = frozenset((name, said) for name, said in found)
    return None if any(said is None for _, said in basis) else basis


def kept_tag(query: WorkQuery, basis: Basis | None, now: datetime) -> str | None:
    """The tag of the work that was asked for; None where it is not known without making the work."""
    kept = _kept.get(query)
    holds = kept is not None and kept.basis == basis and kept.since <= now < kept.until
    return kept.tag if kept is not None and holds else None


def work_and_tag(query: WorkQuery, basis: Basis | None, now: datetime) -> tuple[bytes, str]:
    """The work that was asked for as JSON, and its strong tag; kept where the basis is still the same afterwards, so
    that it is what the work was made of."""
    until = _changes_at(query, now)
    work = work_for(query.machine, now, query.horizon, query.poll_after_s)
    # The canonical form makes equal work equal bytes, which is what a strong tag promises.
    body = canonical(work.as_json()).encode()
    tag = f'"{hashlib.sha256(body).hexdigest()}"'
    if basis is not None and basis == basis_of(query.machine):
        _keep(query, _Kept(tag, basis, now, until))
    return body, tag


def _keep(query: WorkQuery, kept: _Kept) -> None:
    _kept.pop(query, None)
    _kept[query] = kept
    while len(_kept) > MOST_KEPT:
        _kept.pop(next(iter(_kept)), None)  # another thread may have been quicker


def _changes_at(query: WorkQuery, now: datetime) -> datetime:
    """When time alone may change the work next: the closed hours are told by days, from this one to that of the
    horizon, and what begins before the horizon is in it."""
    ahead = now + query.horizon
    next_one = "starts_at >= %s ORDER BY starts_at LIMIT 1"
    begin: list[Run | Segment] = table(Run, DEFAULT_DB_ALIAS).where(
        f"machine_id = %s AND withdrawn_at IS NULL AND {next_one}", query.machine, ahead
    )
    for run in next_runs(machine=query.machine, before=ahead, limit=2):
        begin += table(Segment, DEFAULT_DB_ALIAS).where(f"run_id = %s AND {next_one}", run.id, ahead)
    days = (_next_day(now), _next_day(ahead) - query.horizon)
    return min(*days, *(one.starts_at - query.horizon for one in begin))


def _next_day(at: datetime) -> datetime:
    """The beginning of the next day of UTC."""
    return at.astimezone(UTC).replace(hour=0, minute=0, second=0, microsecond=0) + timedelta(days=1)
