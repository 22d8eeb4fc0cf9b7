"""The form by which a person fixes an opening."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from django import forms

from scheduling.log.models import Venue
from scheduling.named import LONGEST_NAME
from scheduling.sky.zones import zone_names

CLOCK, SKY = "clock", "sky"
EVENTS = (
    ("sunset", "sunset"),
    ("sunrise", "sunrise"),
    ("civil-dusk", "end of civil twilight"),
    ("civil-dawn", "beginning of civil twilight"),
    ("solar-noon", "noon by the Sun"),
    ("moonrise", "moonrise"),
    ("moonset", "moonset"),
)
SIDES = (("before", "before"), ("after", "after"))
WHICH = (("", "—"), ("earlier", "the earlier"), ("later", "the later"))
LONGEST_SHIFT_MINUTES = 12 * 60

# Where a problem with a field of the command stands on the form.
FIELDS = {
    "id": "id",
    "venue": "venue",
    "name": "name",
    "anchor.civil": "civil",
    "anchor.zone": "zone",
    "anchor.event": "event",
    "anchor.date": "date",
    "anchor.offset": "minutes",
    "anchor.which": "which",
}


@dataclass(frozen=True)
class Said:
    """What the person said, in the words of the command."""

    id: str
    venue: str
    name: str
    anchor: dict[str, Any]


class OpeningForm(forms.Form):
    """An opening, named by the clock or by the sky. What it means, only the command knows."""

    name = forms.CharField(max_length=LONGEST_NAME)
    id = forms.CharField(max_length=40)
    venue = forms.ChoiceField()
    by = forms.ChoiceField(choices=((CLOCK, "by the clock"), (SKY, "by the sky")), initial=CLOCK)
    civil = forms.CharField(required=False)
    zone = forms.CharField(required=False)
    event = forms.ChoiceField(choices=EVENTS, required=False)
    date = forms.CharField(required=False)
    minutes = forms.IntegerField(required=False, min_value=0, max_value=LONGEST_SHIFT_MINUTES, initial=0)
    side = forms.ChoiceField(choices=SIDES, required=False)
    which = forms.ChoiceField(choices=WHICH, required=False)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.venues = {venue.id: venue for venue in Venue.objects.order_by("name", "id")}
        self.fields["venue"].choices = [(venue.id, venue.name) for venue in self.venues.values()]  # type: ignore[attr-defined]
        self.zones = sorted(zone_names())

    def clean(self) -> dict[str, Any]:
        """Refuse a way of naming the instant with its own fields left empty."""
        cleaned: dict[str, Any] = self.cleaned_data
        needed = "civil" if cleaned.get("by") == CLOCK else "date"
        if not cleaned.get(needed) and needed not in self.errors:
            self.add_error(needed, "Say when.")
        return cleaned

    def said(self) -> Said:
        """What a valid form says; the zone is the venue's where none is given."""
        cleaned = self.cleaned_data
        which = {"which": cleaned["which"]} if cleaned["which"] else {}
        if cleaned["by"] == CLOCK:
            zone = cleaned["zone"] or self.venues[cleaned["venue"]].zone
            anchor = {"civil": cleaned["civil"], "zone": zone}
        else:
            anchor = {"event": cleaned["event"] or EVENTS[0][0], "date": cleaned["date"]}
            if minutes := cleaned["minutes"]:
                anchor["offset"] = f"{'-' if cleaned['side'] == 'before' else ''}PT{minutes}M"
        return Said(cleaned["id"], cleaned["venue"], cleaned["name"], anchor | which)
