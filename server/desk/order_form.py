"""A form whose answer is a body for the API. Each field stands for one of the body's, by its path there, so that what
the API refuses is shown beside the field that it is about."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any, ClassVar, Self

from django import forms
from django.forms.renderers import DjangoTemplates
from django.utils.text import slugify

from machines.errors import InputError
from scheduling.commands.handlers import IdInUse
from scheduling.log.remarks import LONGEST_REMARK

LONGEST_ID = 40
REASON_HINT = (
    "Whoever signs in here or has a key can read it; only who keeps the server can blot it out. No names, no illness,"
    " no numbers to ring."
)


class PageRenderer(DjangoTemplates):
    """Draws a field as all fields of these pages are drawn: its label, what is wrong, the field, a hint."""

    field_template_name = "desk/field.html"


class OrderForm(forms.Form):
    """A form of an order.

    Attributes:
        PLACES: the field that stands for each of the body's, by its path there, such as ``paper.width_mm``.
        GROUPS: fields that stand together, each with what they are about; what is in none stands by itself.
        page_template: of the page that it stands on.
        form_template: of the form itself.
    """

    default_renderer = PageRenderer()
    PLACES: ClassVar[dict[str, str]] = {}
    GROUPS: ClassVar[Sequence[tuple[str, tuple[str, ...]]]] = ()
    page_template: ClassVar[str] = "desk/order.html"
    form_template: ClassVar[str] = "desk/_form.html"

    @classmethod
    def of(cls, row: Mapping[str, Any], data: Any, files: Any) -> Self:
        """About a row that there is: as it stands, or as it was sent."""
        return cls(data, files, initial=cls.initial_of(row))

    @classmethod
    def initial_of(cls, row: Mapping[str, Any]) -> dict[str, Any]:
        """What the fields say of a row as the API shows it."""
        return {field: _found(row, path) for path, field in cls.PLACES.items()}

    def said(self) -> dict[str, Any]:
        """The body that a valid form says. What is left empty is null, which in a merge patch (RFC 7396) is what it is
        where nobody says anything."""
        body: dict[str, Any] = {}
        for path, field in self.PLACES.items():
            if field in self.fields:
                _put(body, path, _plain(self.cleaned_data[field]))
        return body

    def refuse(self, error: InputError | IdInUse) -> None:
        """Put what is wrong beside its field, or above all where it is about none of them."""
        if isinstance(error, IdInUse):
            self.add_error("id" if "id" in self.fields else None, "This id is in use; choose another.")
            return
        place = self.place_of(error.field)
        named = error.problem if place or not error.field else f"{error.field}: {error.problem}"
        self.add_error(place, f"{named}; {error.remedy}" if error.remedy else named)

    def mind(self, path: str, said: str) -> bool:
        """Put what should be meant beside the field that it is about; whether there is one."""
        place = self.place_of(path)
        if place is not None:
            vars(self.fields[place]).setdefault("mind", {})[said] = None  # read by the field's template
        return place is not None

    def grouped(self) -> Iterator[tuple[str, list[forms.BoundField]]]:
        """The fields that are seen, group by group; those in none before the first group that follows them."""
        within = {name: legend for legend, names in self.GROUPS for name in names}
        before, fields = "", list[forms.BoundField]()
        for field in self.visible_fields():
            legend = within.get(field.name, "")
            if legend != before and fields:
                yield before, fields
                fields = []
            before = legend
            fields.append(field)
        if fields:
            yield before, fields

    def place_of(self, path: str) -> str | None:
        """The field that stands for one of the body's, or for what that is a part of; None where none does."""
        while path:
            if (field := self.PLACES.get(path)) in self.fields:
                return field
            path = path.rpartition(".")[0]
        return None

    def label_of(self, path: str) -> str:
        """What a field of the body is called on the page."""
        field = self.PLACES.get(path)
        if field is None or field not in self.fields:
            return path.replace("_", " ").replace(".", ", ")
        return str(self[field].label)


class ReasonForm(OrderForm):
    """Why it is done: all that is asked where nothing else is."""

    PLACES: ClassVar[dict[str, str]] = {"reason": "reason"}

    reason = forms.CharField(
        required=False, max_length=LONGEST_REMARK, label="Why, for the record", help_text=REASON_HINT,
        widget=forms.TextInput(attrs={"autocomplete": "off"}),
    )  # fmt: skip


def without_nulls(body: Mapping[str, Any]) -> dict[str, Any]:
    """A body in which nothing stands that nobody said."""
    return {
        name: without_nulls(value) if isinstance(value, Mapping) else value
        for name, value in body.items()
        if value is not None
    }


def id_for(name: str, taken: Mapping[str, Any] | frozenset[str]) -> str:
    """An id that says what a thing is called, and that nothing else has: letters of other scripts are left out."""
    wanted = slugify(name)[:LONGEST_ID].strip("-_").replace("_", "-") or "new"
    number, found = 1, wanted
    while found in taken:
        number += 1
        found = f"{wanted[: LONGEST_ID - len(str(number)) - 1].rstrip('-')}-{number}"
    return found


def _plain(value: Any) -> Any:
    return None if value == "" else value


def _found(row: Mapping[str, Any], path: str) -> Any:
    value: Any = row
    for name in path.split("."):
        value = value.get(name) if isinstance(value, Mapping) else None
    return value


def _put(body: dict[str, Any], path: str, value: Any) -> None:
    *within, last = path.split(".")
    for name in within:
        body = body.setdefault(name, {})
    body[last] = value
