"""A form whose answer is a body for the API. Each field stands for one of the body's, by its path there, so that what
the API refuses is shown beside the field that it is about."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any, ClassVar, Self
from zoneinfo import ZoneInfo

from django import forms
from django.forms.renderers import DjangoTemplates
from django.http import QueryDict

from machines.errors import InputError
from scheduling.commands.handlers import IdInUse
from scheduling.log.remarks import LONGEST_REMARK
from server.accounts.principals import Grant
from server.api.in_process import Caller
from server.console.ids import LONGEST_ID, id_for
from server.value_words import value_in_words

REASON_HINT = (
    "Whoever signs in here or has a key can read it; only who keeps the server can blot it out. No names, no illness,"
    " no numbers to ring."
)


class PageRenderer(DjangoTemplates):
    """Draws a field as all fields of these pages are drawn: its label, what is wrong, the field, a hint."""

    field_template_name = "desk/field.html"


@dataclass(frozen=True)
class Group:
    """Fields that stand together.

    Attributes:
        title: over them; empty for none.
        fields: their names.
        of: class of style, by which those of a way that is not chosen are put away.
        lead: what they are about, in a sentence or two.
    """

    title: str
    fields: tuple[str, ...]
    of: str = ""
    lead: str = ""


class OrderForm(forms.Form):
    """A form of an order.

    Attributes:
        PLACES: the field that stands for each of the body's, by its path there, such as ``paper.width_mm``.
        GROUPS: in which its fields stand; without any all stand in one row.
        ASKED: those that may be empty only where another way is chosen.
        page_template: of the page that it stands on.
        form_template: of the form itself.
        looked_template: of what else its preview shows; empty for nothing.
        REPEATS: whether the preview of a new one says each field again, as it will be kept.
    """

    default_renderer = PageRenderer()
    PLACES: ClassVar[dict[str, str]] = {}
    GROUPS: ClassVar[tuple[Group, ...]] = ()
    ASKED: ClassVar[frozenset[str]] = frozenset()
    page_template: ClassVar[str] = "desk/order.html"
    form_template: ClassVar[str] = "desk/_form.html"
    looked_template: ClassVar[str] = ""
    REPEATS: ClassVar[bool] = True

    @classmethod
    def starting(cls, query: QueryDict) -> dict[str, Any]:
        """What the fields of a new one say at first, by what the address asks for."""
        return {name: query[name] for name in cls.base_fields if name in query}

    @classmethod
    def of(cls, row: Mapping[str, Any], data: Any, files: Any) -> Self:
        """About a row that there is: as it stands, or as it was sent."""
        return cls(data, files, initial=cls.initial_of(row))

    @classmethod
    def initial_of(cls, row: Mapping[str, Any]) -> dict[str, Any]:
        """What the fields say of a row as the API shows it."""
        return {field: without_zeros(_found(row, path)) for path, field in cls.PLACES.items()}

    def places(self) -> Mapping[str, str]:
        """The field that stands for each of the body's, in this form."""
        return self.PLACES

    def groups(self) -> Sequence[Group]:
        """In which the fields of this form stand."""
        return self.GROUPS

    def offer_to(self, standing: Grant) -> None:
        """Offer no more than they may order; for who looks at the form."""

    def prepare(self, caller: Caller) -> None:
        """Bring what the body only names to the API first, such as a file; for who asks. Something else in the form may
        be wrong."""

    def said(self) -> dict[str, Any]:
        """The body that a valid form says. What is left empty is null, which in a merge patch (RFC 7396) is what it is
        where nobody says anything."""
        body: dict[str, Any] = {}
        for path, field in self.places().items():
            if field in self.fields:
                _put(body, path, _plain(self.cleaned_data[field]))
        return body

    def follows(self) -> Sequence[tuple[str, str]]:
        """What a valid form's values mean beside what the API says of them: what, and how it is said."""
        return ()

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

    def place_of(self, path: str) -> str | None:
        """The field that stands for one of the body's, or for what that is a part of; None where none does."""
        while path:
            if (field := self.places().get(path)) in self.fields:
                return field
            path = path.rpartition(".")[0]
        return None

    def grouped(self) -> Iterator[tuple[Group, list[forms.BoundField]]]:
        """Its groups, each with the fields that are there, then those that are in none."""
        left = {field.name: field for field in self.visible_fields()}
        for group in self.groups():
            yield group, [left.pop(name) for name in group.fields if name in left]
        yield Group("", ()), [*left.values()]

    def words_of(self, path: str, value: Any, clock: ZoneInfo | None) -> str:
        """A value of the body as the page has it: what one chose by its label, the rest in words."""
        choices = getattr(self.fields.get(self.places().get(path, "")), "choices", ())
        said = next((label for choice, label in choices if value is not None and choice == value), None)
        return str(said) if said else _plain_number(value) if isinstance(value, float) else value_in_words(value, clock)

    def label_of(self, path: str) -> str:
        """What a field of the body is called on the page."""
        field = self.place_of(path)
        if field is None:
            return path.replace("_", " ").replace(".", ", ")
        return str(self[field].label)


class NewForm(OrderForm):
    """What is new: its id is made of what it is called where none is given.

    Attributes:
        model: its table, for ids that are free.
    """

    model: ClassVar[Any]

    id = forms.CharField(
        required=False, max_length=LONGEST_ID, label="Id, for addresses", help_text="made of the name where it is empty"
    )

    def places(self) -> Mapping[str, str]:
        """With its id."""
        return {**super().places(), "id": "id"}

    def named(self, body: Mapping[str, Any]) -> str:
        """Of what an id is made."""
        return str(body["name"])

    def said(self) -> dict[str, Any]:
        """With an id that is free where none was given."""
        body, wanted = super().said(), self.cleaned_data["id"]
        taken = frozenset(self.model.objects.values_list("id", flat=True))
        return body | {"id": wanted or id_for(self.named(body), taken)}


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


def leaves(path: str, before: Any, after: Any) -> Iterator[tuple[str, Any, Any]]:
    """What differs within two values, by its path; what is null has nothing in it."""
    if any(isinstance(one, Mapping) for one in (before, after)):
        within = [one if isinstance(one, Mapping) else {} for one in (before, after)]
        for name in dict.fromkeys((*within[0], *within[1])):
            yield from leaves(f"{path}.{name}", within[0].get(name), within[1].get(name))
    elif before != after:
        yield path, before, after


def _plain_number(number: float) -> str:
    """Without exponents, and without a zero behind the point."""
    digits = f"{Decimal(repr(number)):f}"
    return digits.rstrip("0").rstrip(".") if "." in digits else digits


def _plain(value: Any) -> Any:
    return None if value == "" else value


def without_zeros(value: Any) -> Any:
    """A whole number as one, so that a field does not say 480.0."""
    return int(value) if isinstance(value, float) and value.is_integer() else value


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
