"""What a run is wished to do, a form for each kind of wish; a page has some of them below one another."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar

from django import forms
from django.http import QueryDict

from machines.imaging.pictures import from_json
from scheduling.commands.run_search import MOST_WISHES
from scheduling.commands.run_wishes import WishKind
from scheduling.log.models import Source, Venue
from scheduling.paper.next_passage import PassageQuery
from server.console.place_asked import LONGEST_PLACE, PlaceAsked, where_asked
from server.console.place_search import question_of
from server.desk.instants import InstantField, instant_at
from server.desk.order_form import OrderForm

# An hour beside a wish counts so many times as much.
WEIGHTS = (("0.1", "a little"), ("1", "as much as others"), ("10", "much"), ("100", "above all others"))
WEEKDAYS = tuple(zip("1234567", ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun"), strict=True))
PLACE_HINT = (
    "A town, such as Lisbon, or degrees, such as 52.7 W; hours of a picture of the stars; else per cent of a turn, such"
    " as 25."
)
MOST_MINUTES = 1440
# Of several towns of one name so many are told.
TOWNS_TOLD = 4


class WishForm(OrderForm):
    """One wish.

    Attributes:
        kind: of it.
        title: what is wished, in a few words.
        venue: by whose clock its times are; None where no machine is chosen yet.
        source, cycle: what is printed, and what its turns follow, by which a place is named.
    """

    kind: ClassVar[WishKind]
    title: ClassVar[str]
    PLACES: ClassVar[dict[str, str]] = {"weight": "weight"}

    venue: Venue | None = None
    source: Source | None = None
    cycle: str = ""

    weight = forms.ChoiceField(choices=WEIGHTS, initial="1", label="How much it counts")

    def clean(self) -> dict[str, Any]:
        """With its instants, by the clock of the venue."""
        cleaned: dict[str, Any] = self.cleaned_data
        of_instants = [name for name, field in self.fields.items() if isinstance(field, InstantField)]
        self.instants = {} if self.venue is None else {name: instant_at(self, name, self.venue) for name in of_instants}
        return cleaned

    def said(self) -> dict[str, Any]:
        """It as the API takes it."""
        return {"kind": self.kind, "weight": float(self.cleaned_data["weight"]), **self.told()}

    def told(self) -> dict[str, Any]:
        """What it says beside its kind and how much it counts; of itself nothing."""
        return {}


class AtInstant(WishForm):
    """Something at an instant."""

    PLACES: ClassVar[dict[str, str]] = {"weight": "weight", "at": "at", "within_s": "within"}

    at = InstantField(label="When")
    within = forms.FloatField(
        required=False, min_value=0, max_value=MOST_MINUTES, label="So many minutes beside it are well, too"
    )

    def told(self) -> dict[str, Any]:
        """When."""
        return {"at": self.instants["at"], "within_s": 60.0 * (self.cleaned_data["within"] or 0.0)}


class OfPlace(AtInstant):
    """A place of the picture at an instant."""

    PLACES: ClassVar[dict[str, str]] = {
        **AtInstant.PLACES, "longitude": "place", "phase": "place", "column": "place", "kind": "place",
    }  # fmt: skip

    place = forms.CharField(max_length=LONGEST_PLACE, label="Which place of the picture", help_text=PLACE_HINT)

    field_order = ("place", "at", "within", "weight")

    def clean(self) -> dict[str, Any]:
        """With the place, as the picture names it."""
        cleaned = super().clean()
        self.query = None if self.source is None or "place" in self.errors else self._read(cleaned["place"])
        return cleaned

    def _read(self, text: str) -> PassageQuery | None:
        assert self.source is not None
        question = question_of(from_json(self.source.picture), self.cycle, self.venue)
        where = where_asked(question, PlaceAsked(place=text))
        if where.query is None:
            towns = "; ".join(one.said for one in where.matches[:TOWNS_TOLD])
            several = f"Several are called so: {towns}. Add a comma and the country, or give degrees."
            self.add_error("place", where.problem or several)
        return where.query

    def told(self) -> dict[str, Any]:
        """When, and which place."""
        assert self.query is not None, "the form is valid"
        return {**super().told(), "longitude": self.query.longitude, "phase": self.query.phase}


class AtHead(OfPlace):
    """A place under the head."""

    kind = "place-at-head"
    title = "A place is under the head then"


class InSight(OfPlace):
    """A place that hangs."""

    kind = "place-in-sight"
    title = "A place hangs in sight then, between head and knife"


class Falls(AtInstant):
    """A strip that falls."""

    kind = "strip-falls"
    title = "A strip falls then"

    field_order = ("at", "within", "weight")


class ChangesWithin(WishForm):
    """Parts that are changed on some days."""

    kind = "changes-within"
    title = "Rolls and blades are changed on some days"
    PLACES: ClassVar[dict[str, str]] = {
        "weight": "weight",
        "weekdays": "weekdays",
        "opens": "opens",
        "closes": "closes",
    }

    weekdays = forms.MultipleChoiceField(
        choices=WEEKDAYS, widget=forms.CheckboxSelectMultiple, initial=["1", "2", "3", "4", "5"], label="On"
    )
    opens = forms.CharField(initial="09:00", label="From, by the clock there", help_text="such as 09:00")
    closes = forms.CharField(initial="18:00", label="Until", help_text="24:00 is the end of the day")

    field_order = ("weekdays", "opens", "closes", "weight")

    def told(self) -> dict[str, Any]:
        """On which days, and when."""
        said = self.cleaned_data
        return {"weekdays": [int(one) for one in said["weekdays"]], "opens": said["opens"], "closes": said["closes"]}


class NoChange(WishForm):
    """No service in a span."""

    kind = "no-change-between"
    title = "No roll or blade is changed in a span"
    PLACES: ClassVar[dict[str, str]] = {"weight": "weight", "begins_at": "begins", "ends_at": "ends"}

    begins = InstantField(label="From")
    ends = InstantField(label="Until")

    field_order = ("begins", "ends", "weight")

    def told(self) -> dict[str, Any]:
        """From when to when."""
        return {"begins_at": self.instants["begins"], "ends_at": self.instants["ends"]}


WISHES: Mapping[str, type[WishForm]] = {one.kind: one for one in (AtHead, InSight, Falls, ChangesWithin, NoChange)}


def wish_forms(data: QueryDict, *, is_asked: bool) -> list[WishForm]:
    """The wishes of an address, in order; one more than may be at most, by which it is seen that they are too many.

    Args:
        data: of the address, with a kind for each.
        is_asked: whether they are to be read; else they are shown as far as they were typed.
    """
    found = []
    kinds = [one for one in data.getlist("wish") if one in WISHES]
    for number, kind in enumerate(kinds[: MOST_WISHES + 1]):
        make, prefix = WISHES[kind], f"w{number}"
        if is_asked:
            found.append(make(data, prefix=prefix))
            continue
        form = make(prefix=prefix)
        form.initial = as_typed(form, data)
        found.append(form)
    return found


def as_typed(form: forms.Form, data: QueryDict) -> dict[str, Any]:
    """What an address says of the fields of a form, as their widgets read it; nothing of those that it leaves out."""
    typed = {}
    for name, field in form.fields.items():
        key = form.add_prefix(name)
        if any(one == key or one.startswith(f"{key}_") for one in data):
            typed[name] = field.widget.value_from_datadict(data, {}, key)
    return typed
