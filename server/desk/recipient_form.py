"""The form of one who is told what is amiss. What it says is the whole list, with this one in their place."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar
from zoneinfo import ZoneInfo

from django import forms
from django.db.models import Q

from machines.errors import InputError
from machines.operator.language import LANGUAGES
from scheduling.log.models import Venue
from scheduling.telling.recipients import (
    LONGEST_RECIPIENT_NAME,
    LONGEST_WEBHOOK,
    MOST_AFTER_MIN,
    MOST_SECRET_NUMBER,
)
from scheduling.venues.contacts import CONTACT_ROLES, LONGEST_EMAIL
from server.console.contact_words import ROLE_WORDS
from server.console.ids import LONGEST_ID
from server.desk.hours_lines import A_LINE, ON_CALL, QUIET, Lines
from server.desk.order_form import Group, ReasonForm

NAMES = (
    "role", "name", "email", "webhook", "secret_number", "venues", "language", "zone", "after_min", "on_call", "quiet",
)  # fmt: skip
OF_HOURS: Mapping[str, Lines] = {"on_call": ON_CALL, "quiet": QUIET}
HEARS = {
    "studio": "of everything; where no venue is ticked, of the server itself, too",
    "technician": "of everything at machines",
    "curator": "where a machine does not print what is due, and of openings in doubt",
    "house": "where somebody there can go and look",
    "other": "of everything at machines",
}


class RecipientForm(ReasonForm):
    """Who, how, of what and when."""

    GROUPS: ClassVar[tuple[Group, ...]] = (
        Group("Who", ("id", "role", "name")),
        Group("How", ("email", "webhook", "secret_number", "language"), lead="By mail or by webhook, one of the two."),
        Group("Where", ("venues",)),
        Group("When", ("zone", "after_min", "on_call", "quiet")),
    )
    ASKED: ClassVar[frozenset[str]] = frozenset({"id", "email", "webhook"})

    id = forms.CharField(
        max_length=LONGEST_ID, label="Id", help_text="such as night-desk: what was sent is kept under it for 90"
        " days, so better of a task than of a person",
    )  # fmt: skip
    role = forms.ChoiceField(
        choices=[(role, f"{ROLE_WORDS[role]}: {HEARS[role]}") for role in CONTACT_ROLES],
        label="What they are there for, and so are told of", widget=forms.RadioSelect,
    )  # fmt: skip
    name = forms.CharField(required=False, max_length=LONGEST_RECIPIENT_NAME, label="Name, of a person or a desk")
    email = forms.CharField(
        required=False, max_length=LONGEST_EMAIL, label="E-mail", widget=forms.EmailInput(attrs={"autocomplete": "off"})
    )
    webhook = forms.CharField(
        required=False, max_length=LONGEST_WEBHOOK, label="Webhook", help_text="an address of https",
        widget=forms.URLInput(attrs={"autocomplete": "off"}),
    )  # fmt: skip
    secret_number = forms.IntegerField(
        initial=1, min_value=1, max_value=MOST_SECRET_NUMBER, label="Number of the webhook's secret",
        help_text="another number is another secret",
    )  # fmt: skip
    venues = forms.MultipleChoiceField(
        required=False, label="Only at", help_text="none ticked: at every venue", widget=forms.CheckboxSelectMultiple
    )
    language = forms.ChoiceField(choices=list(LANGUAGES.items()), label="Language")
    zone = forms.CharField(
        initial="UTC", max_length=60, label="Their clock",
        help_text="the IANA time zone, such as Europe/Lisbon: the hours below go by it",
    )  # fmt: skip
    after_min = forms.IntegerField(
        initial=0, min_value=0, max_value=MOST_AFTER_MIN, label="Told when nobody sees to it for so many minutes",
        help_text="0 for at once",
    )  # fmt: skip
    on_call = forms.CharField(
        required=False, max_length=4000, label="On call", widget=forms.Textarea(attrs={"rows": 3}),
        help_text="a line a day, such as: weekdays 09:00-17:00. Empty: always. Outside of it they are told nothing",
    )  # fmt: skip
    quiet = forms.CharField(
        required=False, max_length=4000, label="Quiet hours", widget=forms.Textarea(attrs={"rows": 3}),
        help_text="such as: daily 22:00-07:00. In them they are told only what cannot wait",
    )  # fmt: skip

    def __init__(self, *args: Any, every: list[dict[str, Any]], own: str | None, **kwargs: Any) -> None:
        """
        Args:
            every: all that are told, as the API has them.
            own: id of the one that it is about; None for a new one.
        """
        super().__init__(*args, **kwargs)
        self.every, self.own = every, own
        known = self._venues()
        self.fields["venues"].choices = known  # type: ignore[attr-defined]  # it is a field of choices
        if not known:
            del self.fields["venues"]
        if own is not None:
            del self.fields["id"]

    def _venues(self) -> list[tuple[str, str]]:
        """Those that can be ticked. One that they are told of stays among them, whatever became of it: without a tick
        they would be told of every venue."""
        has: list[str] = next((one["venues"] for one in self.every if one["id"] == self.own), [])
        found = Venue.objects.filter(Q(retired_at=None) | Q(id__in=has)).order_by("name", "id")
        known = list(found.values_list("id", "name"))
        return known + [(id, id) for id in has if id not in dict(known)]

    @staticmethod
    def fields_of(one: Mapping[str, Any]) -> dict[str, Any]:
        """What the fields say of one as the API shows them."""
        return {name: OF_HOURS[name].text(one[name]) if name in OF_HOURS else one[name] for name in NAMES}

    def clean_on_call(self) -> str:
        """That each line begins with a day."""
        return self._lines("on_call")

    def clean_quiet(self) -> str:
        """The same."""
        return self._lines("quiet")

    def clean_id(self) -> str:
        """That nobody has it."""
        id: str = self.cleaned_data["id"]
        if any(one["id"] == id for one in self.every):
            raise forms.ValidationError("Somebody is told under this id already; choose another.")
        return id

    def _lines(self, name: str) -> str:
        text: str = self.cleaned_data[name]
        try:
            OF_HOURS[name].said(text)
        except InputError as error:
            raise forms.ValidationError(f"{error.problem}; {A_LINE}.") from error
        return text

    def places(self) -> Mapping[str, str]:
        """The field for each part of this one's, by where it stands in the body, and by its id in what would follow."""
        id = self.own or (self.data.get("id", "") if self.is_bound else "")
        at = next((at for at, one in enumerate(self.every) if one["id"] == self.own), len(self.every))
        names = [name for name in ("id", *NAMES) if name in self.fields]
        found = {f"{place}.{name}": name for place in (f"recipients[{at}]", f"recipients.{id}") for name in names}
        return found | self.PLACES

    def said(self) -> dict[str, Any]:
        """All of them."""
        cleaned = self.cleaned_data
        mine = {name: cleaned.get(name) for name in NAMES if name in self.fields}
        mine |= {name: lines.said(cleaned[name]) for name, lines in OF_HOURS.items()}
        mine["id"] = self.own or cleaned["id"]
        every = [mine if one["id"] == self.own else one for one in self.every]
        return {"recipients": every if self.own else [*every, mine], "reason": cleaned["reason"] or None}

    def words_of(self, path: str, value: Any, clock: ZoneInfo | None) -> str:
        """Hours as they are typed; the rest as elsewhere."""
        for name, lines in OF_HOURS.items():
            if f".{name}" in path and isinstance(value, list):
                if all(isinstance(one, dict) and set(one) == set(lines.ends) for one in value):
                    return lines.spans_text(value) or "-"
                return "; ".join(f"{one['date']} {lines.spans_text(one[lines.of_date])}" for one in value) or "-"
        return super().words_of(path, value, clock)
