"""The forms by which the studio lets people and programs in: a name, what they may do, and where."""

from __future__ import annotations

from typing import Any, ClassVar

from django import forms
from django.contrib.auth.models import User

from scheduling.log.models import Venue
from server import wiring
from server.accounts.attempt_limit import guarded
from server.accounts.keys import LONGEST_NAME
from server.accounts.management.commands.key import MOST_DAYS
from server.accounts.principals import Grant, role_named
from server.accounts.roles import checked_standing
from server.desk.order_form import Group, OrderForm

ROLES = (
    ("studio", "the studio: changes everything, and lets people in"),
    ("curator", "a curator: openings, service windows, hours, outages, and holding or ending a run"),
    ("reader", "a reader: looks, and changes nothing"),
)
ROLE_SAID = {"studio": "the studio", "curator": "a curator", "reader": "a reader"}
LONGEST_PASSWORD = 4096


class OwnPasswordForm(OrderForm):
    """Whoever lets others in says their own password with it: a browser that was left alone lets nobody in."""

    own = forms.CharField(
        max_length=LONGEST_PASSWORD, strip=False, label="Your own password",
        help_text="so that a browser that was left alone lets nobody in",
        widget=forms.PasswordInput(attrs={"autocomplete": "current-password"}),
    )  # fmt: skip

    def __init__(self, *args: Any, by: User, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.by = by

    def clean_own(self) -> str:
        """That of whoever is signed in, at which nobody may guess for ever.

        Raises:
            TooManyTries: there were too many wrong ones.
        """
        said: str = self.cleaned_data["own"]
        with guarded("browser", f"user:{self.by.pk}", wiring.now(), forms.ValidationError):
            if not self.by.check_password(said):
                raise forms.ValidationError("This is not your password.")
        return said


class GrantForm(OwnPasswordForm):
    """A role, and of a curator the venues that it is for."""

    PLACES: ClassVar[dict[str, str]] = {"role": "role", "venue": "venues"}
    GROUPS: ClassVar[tuple[Group, ...]] = (
        Group("", ("name",)),
        Group("What they may do", ("role",)),
        Group("", ("venues",), "only-curator"),
    )

    role = forms.ChoiceField(choices=ROLES, initial="reader", label="Role", widget=forms.RadioSelect)
    venues = forms.MultipleChoiceField(
        required=False, label="Of a curator: only at", help_text="none ticked: at every venue",
        widget=forms.CheckboxSelectMultiple,
    )  # fmt: skip

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        known = Venue.objects.filter(retired_at=None).order_by("name", "id").values_list("id", "name")
        self.fields["venues"].choices = list(known)  # type: ignore[attr-defined]  # it is a field of choices
        if not known:
            del self.fields["venues"]

    def standing(self) -> Grant:
        """What a valid form gives.

        Raises:
            InputError: a venue that is gone since.
        """
        role = role_named(self.cleaned_data["role"])
        return checked_standing(role, self.cleaned_data.get("venues", []) if role == "curator" else [])


class PersonForm(GrantForm):
    """A new account."""

    PLACES: ClassVar[dict[str, str]] = GrantForm.PLACES | {"name": "name", "password": "password"}
    GROUPS: ClassVar[tuple[Group, ...]] = (*GrantForm.GROUPS, Group("Their password", ("password", "again"), "pairs"))

    name = forms.CharField(
        max_length=User._meta.get_field("username").max_length, label="The name to sign in with",
        widget=forms.TextInput(attrs={"autocomplete": "off", "autocapitalize": "none"}),
    )  # fmt: skip
    password = forms.CharField(
        max_length=LONGEST_PASSWORD, strip=False, label="Password",
        help_text="12 characters or more; they take another of their own once they are signed in",
        widget=forms.PasswordInput(attrs={"autocomplete": "new-password"}),
    )  # fmt: skip
    again = forms.CharField(
        max_length=LONGEST_PASSWORD, strip=False, label="The same again",
        widget=forms.PasswordInput(attrs={"autocomplete": "new-password"}),
    )  # fmt: skip

    def clean(self) -> dict[str, Any]:
        """Twice the same."""
        cleaned = super().clean() or {}
        if not self.errors and cleaned["password"] != cleaned["again"]:
            self.add_error("again", "These were not the same; type both again.")
        return cleaned


class KeyForm(GrantForm):
    """A new key."""

    PLACES: ClassVar[dict[str, str]] = GrantForm.PLACES | {"name": "name", "ends_at": "days"}
    GROUPS: ClassVar[tuple[Group, ...]] = (*GrantForm.GROUPS, Group("How long", ("days",)))

    name = forms.CharField(max_length=LONGEST_NAME, label="Who will hold it", help_text="a person, or a program")
    days = forms.IntegerField(
        required=False, min_value=1, max_value=MOST_DAYS, label="Good for so many days",
        help_text="empty for a key without an end",
    )  # fmt: skip


def in_words(standing: Grant, venues: dict[str, str]) -> str:
    """A standing by the names of its venues.

    Args:
        standing: what somebody may do.
        venues: names by id.
    """
    if standing.venues is None:
        return ROLE_SAID[standing.role]
    return f"{ROLE_SAID[standing.role]} of {', '.join(venues.get(one, one) for one in standing.venues)}"


def venue_names() -> dict[str, str]:
    """Of all venues, by id."""
    return dict(Venue.objects.values_list("id", "name"))
