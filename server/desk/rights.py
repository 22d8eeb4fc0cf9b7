"""Which orders a page offers to whom: those that the API would take of them. It decides again when it is asked.

A form that would be refused is not shown either: what is typed into it would be lost."""

from __future__ import annotations

from server.accounts.principals import Grant
from server.accounts.roles import Command, require_role, require_venue, roles_for
from server.api.resource import Resource
from server.api.resources import RESOURCES
from server.desk.subjects import Row, Subject


def _resource(subject: Subject) -> Resource:
    return next(one for one in RESOURCES if one.name == subject.name)


def may_add(standing: Grant, subject: Subject) -> bool:
    """Whether their role may add one."""
    return subject.add is not None and standing.role in roles_for(_resource(subject).command)


def may_change(standing: Grant, subject: Subject, row: Row) -> bool:
    """Whether their role may change one."""
    return _may(standing, subject, row, _change_of(subject))


def may_do(standing: Grant, subject: Subject, row: Row, act: str) -> bool:
    """Whether their role may do something to one."""
    return _may(standing, subject, row, _act_of(subject, act))


def require_adding(standing: Grant, subject: Subject) -> None:
    """See that their role may add one.

    Raises:
        NotOfTheirRole: it may not.
    """
    require_role(standing, _resource(subject).command)


def require_order(standing: Grant, subject: Subject, row: Row, act: str) -> None:
    """See that their role may do something to one; change it where no act is named.

    Raises:
        NotOfTheirRole: it may not, or is for other venues.
    """
    require_role(standing, _act_of(subject, act) if act else _change_of(subject))
    for venue in _venues(subject, row):
        require_venue(standing, venue)


def _change_of(subject: Subject) -> Command | None:
    what = _resource(subject).changeable
    return None if what is None else what.change


def _act_of(subject: Subject, act: str) -> Command | None:
    what = _resource(subject).changeable
    return None if what is None else what.acts[act].work_out


def _venues(subject: Subject, row: Row) -> tuple[str | None, ...]:
    venue = subject.venue_of(row)
    return venue if isinstance(venue, tuple) else (venue,)


def _may(standing: Grant, subject: Subject, row: Row, command: Command | None) -> bool:
    """Whether their role may, within the venues that it is for."""
    theirs = standing.venues is None or {*_venues(subject, row)} <= {*standing.venues}
    return command is not None and standing.role in roles_for(command) and theirs
