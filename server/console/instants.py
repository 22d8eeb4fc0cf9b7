"""The part of a form that names an instant: by the clock or by the sky, and which reading where there are two."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar

from django import forms

from machines.errors import InputError
from scheduling.commands.handlers import IdInUse
from server.readings import readings_in_words

CLOCK, SKY = "clock", "sky"
NEEDED = {CLOCK: "civil", SKY: "date"}
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


def beside(anchor: str) -> dict[str, str]:
    """Where a problem with a field of an anchor stands on the form; ``anchor`` is what the command calls it."""
    named = {"civil": "civil", "zone": "zone", "event": "event", "date": "date", "offset": "minutes", "which": "which"}
    return {f"{anchor}.{field}": place for field, place in named.items()}


def anchor_of(said: Mapping[str, Any]) -> dict[str, Any]:
    """The instant that the parts of a form name, but for the zone of a civil time."""
    which = {"which": said["which"]} if said["which"] else {}
    if said["by"] == CLOCK:
        return {"civil": said["civil"]} | which
    minutes = f"{'-' if said['side'] == 'before' else ''}PT{said['minutes']}M"
    offset = {"offset": minutes} if said["minutes"] else {}
    return {"event": said["event"] or EVENTS[0][0], "date": said["date"]} | offset | which


class InstantForm(forms.Form):
    """A form that names an instant. What it means, only the command knows.

    Attributes:
        FIELDS: where a problem with a field of the command stands on the form.
    """

    FIELDS: ClassVar[dict[str, str]] = {}

    by = forms.ChoiceField(choices=((CLOCK, "by the clock"), (SKY, "by the sky")), initial=CLOCK)
    civil = forms.CharField(required=False)
    zone = forms.CharField(required=False)
    event = forms.ChoiceField(choices=EVENTS, required=False)
    date = forms.CharField(required=False)
    minutes = forms.IntegerField(required=False, min_value=0, max_value=LONGEST_SHIFT_MINUTES, initial=0)
    side = forms.ChoiceField(choices=SIDES, required=False)
    which = forms.ChoiceField(choices=WHICH, required=False)

    def clean(self) -> dict[str, Any]:
        """Refuse a way of naming the instant with its own fields left empty."""
        cleaned: dict[str, Any] = self.cleaned_data
        needed = NEEDED.get(cleaned.get("by", ""))
        if needed and not cleaned.get(needed) and needed not in self.errors:
            self.add_error(needed, "Say when.")
        return cleaned

    def anchor(self, own_zone: str) -> dict[str, Any]:
        """The instant that a valid form names; by the venue's own zone where none is given."""
        named = anchor_of(self.cleaned_data)
        return named | ({"zone": self.cleaned_data["zone"] or own_zone} if "civil" in named else {})

    def refuse(self, error: InputError | IdInUse) -> list[dict[str, str]]:
        """Put what is wrong beside its field; where the instant has two readings, they are returned to be offered."""
        if isinstance(error, IdInUse):
            self.add_error("id", "This id is in use; choose another.")
            return []
        readings = readings_in_words(error)
        remedy = "choose below which is meant" if readings else error.remedy
        self.add_error(self.FIELDS.get(error.field), f"{error.problem}; {remedy}")
        return readings
