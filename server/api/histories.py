"""The history of a resource, as people made it, and its versions."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

from django.shortcuts import get_object_or_404
from rest_framework.request import Request
from rest_framework.response import Response

from machines.serialization import unstructure
from scheduling.nodes.board_holds import BoardKnows
from scheduling.queries.history import HistoryStep, VersionStep, history, states, versions
from server.api.base_views import ApiView
from server.api.changes import Changeable


@dataclass(frozen=True, kw_only=True)
class History:
    """What people made of a resource, the oldest first; and of a run whether the machine knows the newest of it."""

    steps: tuple[HistoryStep, ...]
    board: BoardKnows | None = None


@dataclass(frozen=True, kw_only=True)
class Versions:
    """The versions of a resource, the oldest first; new runs are printed by the last."""

    versions: tuple[VersionStep, ...]


class _OfOne(ApiView):
    """What the log tells of one of a resource.

    Attributes:
        changeable: which resource.
    """

    changeable: Any = None

    def row(self, pk: str) -> Any:
        """It, as it stands."""
        return get_object_or_404(self.changeable.model, pk=pk)


class ResourceHistory(_OfOne):
    """What people made of one of a resource."""

    shows = History

    def get(self, request: Request, pk: str) -> Response:
        """Each step, the oldest first: who said it, when, what it changed from what to what, and why."""
        return Response(unstructure(told_of(self.changeable, self.row(pk))))


def told_of(what: Changeable, row: Any) -> History:
    """What people made of one of a resource.

    Args:
        what: the resource.
        row: as it stands.
    """
    held = what.held(row)
    if held is None:
        return History(steps=history(what.model, what.stream(row.pk), what.shown))
    said = states(what.model, what.stream(row.pk), what.shown)
    steps = tuple(replace(step, machine_knows=held.knows(after.revision)) for step, after in said)
    return History(steps=steps, board=held.of(row.revision))


class ResourceVersions(_OfOne):
    """The versions of one of a resource."""

    shows = Versions

    def get(self, request: Request, pk: str) -> Response:
        """Each version, the oldest first: what it is, who said it, when, and why."""
        what, row = self.changeable, self.row(pk)
        return Response(unstructure(Versions(versions=versions(what.model, what.stream(row.pk), what.shown))))
