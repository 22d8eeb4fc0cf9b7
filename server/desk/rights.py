"""Which orders a page offers to whom: those that the API would take of them. It decides again when it is asked."""

from __future__ import annotations

from server.accounts.principals import Grant
from server.accounts.roles import roles_for
from server.api.resources import RESOURCES, Resource
from server.desk.subjects import Subject


def _resource(subject: Subject) -> Resource:
    return next(one for one in RESOURCES if one.name == subject.name)


def may_add(standing: Grant, subject: Subject) -> bool:
    """Whether their role may add one."""
    return subject.add is not None and standing.role in roles_for(_resource(subject).command)


def may_change(standing: Grant, subject: Subject) -> bool:
    """Whether their role may change one."""
    what = _resource(subject).changeable
    return what is not None and what.change is not None and standing.role in roles_for(what.change)


def may_do(standing: Grant, subject: Subject, act: str) -> bool:
    """Whether their role may do something to one."""
    what = _resource(subject).changeable
    return what is not None and standing.role in roles_for(what.acts[act].work_out)
