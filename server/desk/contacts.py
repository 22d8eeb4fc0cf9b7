"""Whom to ring about a venue's machines, on a page of the venue: all of them at once, in the order of trying."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, ClassVar
from zoneinfo import ZoneInfo

from django import forms
from django.conf import settings
from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods

from scheduling.commands.contacts import change_contacts
from scheduling.sky.zones import zone
from scheduling.venues.contacts import (
    CONTACT_ROLES,
    LONGEST_CONTACT_NAME,
    LONGEST_EMAIL,
    LONGEST_TELEPHONE,
    LONGEST_WHEN,
    MOST_CONTACTS,
)
from server.accounts.roles import require_role, require_venue
from server.api.in_process import ask
from server.console.contact_words import ROLE_WORDS
from server.desk.callers import caller_of
from server.desk.order_form import Group, ReasonForm
from server.desk.ordering import Order, send
from server.desk.venues import VENUES

NAMES = ("role", "name", "telephone", "email", "when")
EMPTY_ROWS = 2
AWAY = "away"
LEAD = (
    "They stand on the venue's sheet in this order, the first to be tried first. Only what stands now is kept: a name"
    " and a number that are taken away are gone, but for sheets that were printed and backups. A number of a desk or of"
    " whoever is on call serves longer than a person's own."
)
READ_BY = {
    True: "The sheet needs no account here: whoever reaches this server can read them.",
    False: "Whoever signs in here or has a key can read them.",
}


class ContactsForm(ReasonForm):
    """A few fields for each of them, and some more that are empty."""

    # Nobody need be said; of whoever is, some of it must be.
    ASKED: ClassVar[frozenset[str]] = frozenset(
        f"{name}_{row}" for row in range(MOST_CONTACTS) for name in (*NAMES, "place")
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.rows = min(_rows_in(self.data) if self.is_bound else _rows_in(self.initial) + EMPTY_ROWS, MOST_CONTACTS)
        for row in range(self.rows):
            for name, field in zip(NAMES, _fields(), strict=True):
                self.fields[f"{name}_{row}"] = field
            self.fields[f"place_{row}"] = _place(row, self.rows)
        self.order_fields([name for name in self.fields if name != "reason"] + ["reason"])

    @classmethod
    def initial_of(cls, row: Mapping[str, Any]) -> dict[str, Any]:
        """What the fields say of contacts as the API shows them."""
        return {f"{name}_{at}": one[name] for at, one in enumerate(row["contacts"]) for name in NAMES}

    def groups(self) -> Sequence[Group]:
        """One each."""
        return [
            Group(f"Number {row + 1}", tuple(f"{name}_{row}" for name in (*NAMES, "place")), "pairs")
            for row in range(self.rows)
        ]

    def clean(self) -> dict[str, Any]:
        """Whoever is said has a role, so that nobody is lost unseen."""
        cleaned = super().clean() or {}
        for row in range(self.rows):
            said = [name for name in NAMES if cleaned.get(f"{name}_{row}")]
            if said and "role" not in said:
                self.add_error(f"role_{row}", "Say what they are there for.")
        return cleaned

    def kept_rows(self) -> list[int]:
        """Those that say somebody, in the order of trying."""
        kept = [row for row in range(self.rows) if self.cleaned_data.get(f"role_{row}") not in (None, "", AWAY)]
        return sorted(kept, key=self._order_of)

    def _order_of(self, row: int) -> tuple[int, int]:
        """By its place. One that moves up comes before the one that has that place, one that moves down after it."""
        place = int(self.cleaned_data.get(f"place_{row}") or row)
        return place, (place > row) - (place < row)

    def places(self) -> Mapping[str, str]:
        """The field that stands for each of the body's, which has no rows that are empty."""
        rows = self.kept_rows() if self.is_valid() else range(self.rows)
        found = {f"contacts[{at}].{name}": f"{name}_{row}" for at, row in enumerate(rows) for name in NAMES}
        return found | self.PLACES

    def said(self) -> dict[str, Any]:
        """All of them."""
        cleaned = self.cleaned_data
        contacts = [{name: cleaned[f"{name}_{row}"] for name in NAMES} for row in self.kept_rows()]
        return {"contacts": contacts, "reason": cleaned["reason"] or None}

    def words_of(self, path: str, value: Any, clock: ZoneInfo | None) -> str:
        """All of them in a line."""
        if path != "contacts":
            return super().words_of(path, value, clock)
        return "; ".join(map(_in_a_line, value or ())) or "-"

    def label_of(self, path: str) -> str:
        """What it is called on the page."""
        return "Whom to ring" if path == "contacts" else super().label_of(path)


def _fields() -> tuple[forms.Field, ...]:
    choices = [("", "nobody"), *((role, ROLE_WORDS[role]) for role in CONTACT_ROLES), (AWAY, "take this one away")]
    return (
        forms.ChoiceField(required=False, choices=choices, label="What they are there for"),
        forms.CharField(required=False, max_length=LONGEST_CONTACT_NAME, label="Name, of a person or a desk"),
        forms.CharField(
            required=False, max_length=LONGEST_TELEPHONE, label="Telephone",
            widget=forms.TextInput(attrs={"type": "tel", "autocomplete": "off"}),
        ),
        forms.CharField(
            required=False, max_length=LONGEST_EMAIL, label="E-mail",
            widget=forms.EmailInput(attrs={"autocomplete": "off"}),
        ),
        forms.CharField(required=False, max_length=LONGEST_WHEN, label="When to try it", help_text="such as: at night"),
    )  # fmt: skip


def _place(row: int, rows: int) -> forms.Field:
    choices = [(str(place), f"as number {place + 1}") for place in range(rows)]
    return forms.ChoiceField(required=False, choices=choices, initial=str(row), label="Tried")


def _rows_in(data: Mapping[str, Any]) -> int:
    """How many there are, counted no farther than there may be."""
    return next((row for row in range(MOST_CONTACTS) if f"role_{row}" not in data), MOST_CONTACTS)


def _in_a_line(one: Mapping[str, Any]) -> str:
    said = (ROLE_WORDS[one["role"]], one["name"], one["telephone"], one["email"], one["when"])
    return ", ".join(word for word in said if word)


@login_required
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def contacts(request: HttpRequest, id: str) -> HttpResponse:
    """Whom to ring as it stands, in a form; what would follow; then it is so."""
    caller = caller_of(request)
    require_role(caller.holder.standing, change_contacts)
    venue = ask(caller, "GET", f"venues/{id}").body
    require_venue(caller.holder.standing, id)
    found = ask(caller, "GET", f"venues/{id}/contacts")
    tag = request.POST.get("tag") or found.tag or ""
    form = ContactsForm.of(found.body or {"contacts": []}, request.POST or None, None)
    back = reverse("desk-venue", args=[id])
    page = {"subject": VENUES, "row": venue, "form": form, "previews": True, "verb": "Keep it so", "back": back}
    page |= {"title": f"Whom to ring at {venue['name']}", "lead": LEAD, "read_by": READ_BY[settings.OPEN_PAGES]}
    if request.method == "POST" and form.is_valid():
        order = Order(
            method="PUT",
            address=f"venues/{id}/contacts",
            done=lambda row: f"The sheet of {row['name']} says so now.",
            then=lambda row: back,
            clock=zone(venue["zone"]),
            accepts=False,
        )
        sent = send(request, form, order, tag)
        if sent.answer is not None:
            return sent.answer
        page["looked"], tag = sent.looked, sent.tag
    return render(request, "desk/contacts.html", page | {"tag": tag})
