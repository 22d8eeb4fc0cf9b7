"""A kind of rows as the API lists and shows them: its views and addresses."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

from django.db.models import Model
from django.urls import URLPattern, path

from scheduling.commands.changes import Preview
from scheduling.log.moment import AsOf
from server.api.base_views import Collection, Item, List
from server.api.changes import ORDERED_WITH, Act, Changeable, Changing, Tagged
from server.api.histories import ResourceHistory, ResourceVersions
from server.api.past import PastCollection, PastItem, PastList
from server.api.serializers import Row


@dataclass(frozen=True)
class Resource:
    """Rows of one kind.

    Attributes:
        name: of one; the list is found under its plural, which is the same for what is many by itself.
        row: how one is shown.
        lists, shows: what the API's description says of the list and of one.
        command: the dataclass that adds one; None where only events do.
        changeable: how one is changed; None where it is not.
        many: the view of the list, where it is one of its own; then it has the command, too.
        preview: what adding one would do, by the command and now; None where that cannot be asked for.
        as_they_were, as_it_was: give a page of them, and one, as of a moment; None where there is only now.
    """

    name: str
    row: type[Row]
    lists: str
    shows: str
    command: type[Any] | None = None
    as_they_were: Callable[..., list[Any]] | None = None
    as_it_was: Callable[[str, AsOf], Model | None] | None = None
    changeable: Changeable | None = None
    many: type[List] | None = None
    preview: Callable[..., Preview] | None = None

    @property
    def plural(self) -> str:
        """Of its name: where its list stands below the API's address."""
        return self.name if self.name.endswith("series") else f"{self.name}s"

    def addresses(self) -> list[URLPattern]:
        """Of the list and of one, and of what can be done to it."""
        model: Any = self.row.Meta.model
        shared = {"queryset": model.objects.all(), "serializer_class": self.row}
        listed, shown = shared | {"said": self.lists}, shared | {"said": self.shows}
        many: type[List] = List if self.many is None else self.many
        if self.many is None and self.command is not None:
            listed |= {"command": self.command, "detail": self.name}
            many = Collection
        if self.preview is not None:
            listed |= {"preview": self.preview, "ordered_with": {"preview": ORDERED_WITH["preview"]}}
        if self.as_they_were is not None:
            listed["as_they_were"] = self.as_they_were
            many = PastList if self.command is None else PastCollection
        one: type[Item] = Item
        if self.as_it_was is not None:
            shown["as_it_was"], one = self.as_it_was, PastItem
        if self.changeable is not None:
            shown |= {"changeable": self.changeable, "command": self.changeable.change}
            one = Tagged if self.changeable.change is None else Changing
        plural = self.plural
        return [
            path(plural, many.as_view(**listed), name=f"all-{plural}" if plural == self.name else plural),
            path(f"{plural}/<id:pk>", one.as_view(**shown), name=self.name),
            *(() if self.changeable is None else _addresses_of(self.name, plural, self.changeable)),
        ]


def _addresses_of(name: str, plural: str, what: Changeable) -> Iterator[URLPattern]:
    """Of what can be done to one, and of its history."""
    for act, done in what.acts.items():
        view = Act.as_view(
            changeable=what,
            command=done.work_out,
            said=done.said,
            reads=done.reads,
            any_state=done.any_state,
            with_stores=done.with_stores,
        )
        yield path(f"{plural}/<id:pk>/{act}", view, name=f"{name}-{act}")
    yield path(f"{plural}/<id:pk>/history", ResourceHistory.as_view(changeable=what), name=f"{name}-history")
    if what.has_versions:
        yield path(f"{plural}/<id:pk>/versions", ResourceVersions.as_view(changeable=what), name=f"{name}-versions")
