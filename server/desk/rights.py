"""Which orders a page offers to whom: those that the API would take of them. It decides again when it is asked."""

from __future__ import annotations

from server.accounts.principals import Grant
from server.accounts.roles import roles_for
from server.api.resources import RESOURCES, Resource
from server.desk.subjects import Row, Subject


def _resource(subject: Subject) -> Resource:
    return next(one for one in RESOURCES if one.name == subject.name)


def may_add(standing: Grant, subject: Subject) -> bool:
    """Whether their role may add one."""
    return subject.add is not None and standing.role in roles_for(_resource(subject).command)


def may_change(standing: Grant, subject: Subject, row: Row) -> bool:
    """Whether their role may change one."""
    what = _resource(subject).changeable
    may = what is not None and what.change is not None and standing.role in roles_for(what.change)
    return may and _theirs(standing, subject, row)


def may_do(standing: Grant, subject: Subject, row: Row, act: str) -> bool:
    """Whether their role may do something to one."""
    what = _resource(subject).changeable
    may = what is not None and standing.role in roles_for(what.acts[act].work_out)
    return may and _theirs(standing, subject, row)


def _theirs(standing: Grant, subject: Subject, row: Row) -> bool:
    """Whether it is within the venues that their role is for."""
    return standing.venues is None or subject.venue_of(row) in standing.venues
