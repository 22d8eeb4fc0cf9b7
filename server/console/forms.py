"""The forms by which a person fixes an opening or a service window, or calls a window off."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar, get_args

from django import forms

from machines.errors import InputError
from scheduling.log.models import Opening, ServiceWindow, Venue
from scheduling.log.remarks import LONGEST_REMARK
from scheduling.planning.service_windows import LONGEST_MINUTES, Weekday
from scheduling.queries.names import LONGEST_NAME
from scheduling.sky.zones import zone_names
from server.console.ids import LONGEST_ID, id_for, taken_ids
from server.console.instants import CLOCK, SKY, InstantForm, beside

WEEKLY = "weekly"
WEEKDAYS = tuple((day, day.capitalize()) for day in get_args(Weekday))
ONE_DATE, ALL = "date", "all"
AS_IT_IS = "as-it-is"


@dataclass(frozen=True)
class OpeningFields:
    """What the person said, in the words of the command."""

    id: str
    venue: str
    name: str
    anchor: dict[str, Any]


class OpeningForm(InstantForm):
    """An opening, named by the clock or by the sky."""

    FIELDS: ClassVar[dict[str, str]] = {"id": "id", "venue": "venue", "name": "name", **beside("anchor")}

    name = forms.CharField(max_length=LONGEST_NAME)
    id = forms.CharField(max_length=LONGEST_ID, required=False)
    venue = forms.ChoiceField()

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.venues = {venue.id: venue for venue in Venue.objects.filter(retired_at=None).order_by("name", "id")}
        self.fields["venue"] = forms.ChoiceField(choices=[(one.id, one.name) for one in self.venues.values()])
        self.zones = sorted(zone_names())

    def said(self) -> OpeningFields:
        """What a valid form says; the zone is the venue's where none is given."""
        cleaned = self.cleaned_data
        anchor = self.anchor(self.venues[cleaned["venue"]].zone)
        id = cleaned["id"] or id_for(cleaned["name"], taken_ids(Opening, "opening"))
        return OpeningFields(id, cleaned["venue"], cleaned["name"], anchor)


class ReasonForm(forms.Form):
    """Why something is done, and on what version of it that was decided."""

    version = forms.IntegerField(widget=forms.HiddenInput)
    reason = forms.CharField(required=False, max_length=LONGEST_REMARK)


class ChangeOpeningForm(InstantForm, ReasonForm):
    """An opening that is moved, or named otherwise."""

    FIELDS: ClassVar[dict[str, str]] = {"name": "name", **beside("anchor")}

    name = forms.CharField(max_length=LONGEST_NAME)
    by = forms.ChoiceField(
        choices=((AS_IT_IS, "as it is"), (CLOCK, "by the clock"), (SKY, "by the sky")), initial=AS_IT_IS
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.zones = sorted(zone_names())


class ServiceWindowForm(InstantForm):
    """A service window of a venue, every week or once."""

    FIELDS: ClassVar[dict[str, str]] = {
        "id": "id",
        "name": "name",
        "comes.weekday": "weekday",
        "comes.begins": "begins",
        "comes.ends": "ends",
        "comes.last_date": "last_date",
        "comes.first_date": "first_date",
        "comes.minutes": "lasts",
        **beside("comes.anchor"),
    }

    name = forms.CharField(max_length=LONGEST_NAME)
    id = forms.CharField(max_length=LONGEST_ID, required=False)
    by = forms.ChoiceField(
        choices=((WEEKLY, "every week"), (CLOCK, "by the clock"), (SKY, "by the sky")), initial=WEEKLY
    )
    weekday = forms.ChoiceField(choices=WEEKDAYS, required=False)
    begins = forms.CharField(required=False)
    ends = forms.CharField(required=False)
    first_date = forms.CharField(required=False)
    last_date = forms.CharField(required=False)
    lasts = forms.IntegerField(required=False, min_value=1, max_value=LONGEST_MINUTES, initial=60)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.zones = sorted(zone_names())

    def clean(self) -> dict[str, Any]:
        """A window that comes once lasts so many minutes."""
        cleaned = super().clean()
        if cleaned.get("by") in (CLOCK, SKY) and cleaned.get("lasts") is None and "lasts" not in self.errors:
            self.add_error("lasts", "Say how long it lasts.")
        return cleaned

    def said(self, venue: Venue) -> dict[str, Any]:
        """What a valid form says, as the API takes it."""
        cleaned = self.cleaned_data
        id = cleaned["id"] or id_for(cleaned["name"], taken_ids(ServiceWindow, "service"))
        return {"id": id, "venue": venue.id, "name": cleaned["name"], "comes": self._comes(venue)}

    def _comes(self, venue: Venue) -> dict[str, Any]:
        cleaned = self.cleaned_data
        if cleaned["by"] != WEEKLY:
            return {"kind": "once", "anchor": self.anchor(venue.zone), "minutes": cleaned["lasts"]}
        weekly = {"kind": "weekly", **{name: cleaned[name] for name in ("weekday", "begins", "ends")}}
        return weekly | {name: cleaned[name] for name in ("first_date", "last_date") if cleaned[name]}


class CallOffForm(forms.Form):
    """All of a service window, or one date of it, and why."""

    what = forms.ChoiceField(choices=((ONE_DATE, "one date"), (ALL, "all of it")), initial=ONE_DATE)
    date = forms.CharField(required=False)
    reason = forms.CharField(required=False, max_length=LONGEST_REMARK)

    def clean(self) -> dict[str, Any]:
        """One date has to be named."""
        cleaned: dict[str, Any] = self.cleaned_data
        if cleaned.get("what") == ONE_DATE and not cleaned.get("date"):
            self.add_error("date", "Say which date.")
        return cleaned

    def said(self) -> tuple[str | None, str | None]:
        """The date that a valid form calls off, None for the whole window; and the reason."""
        cleaned = self.cleaned_data
        return (cleaned["date"] if cleaned["what"] == ONE_DATE else None), cleaned["reason"] or None

    def refuse(self, error: InputError) -> None:
        """Put what is wrong beside its field."""
        self.add_error(error.field if error.field in self.fields else None, error.said)
