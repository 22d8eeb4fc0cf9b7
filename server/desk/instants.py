"""Fields that name an instant: now, by a clock or by the sky, and which reading where there are two."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django import forms

from machines.errors import InputError
from machines.serialization import format_instant, parse_instant
from scheduling.log.models import Venue
from scheduling.queries.venue_context import place_of
from scheduling.sky.anchors import parse, resolve
from scheduling.sky.civil import readings
from scheduling.sky.zones import zone
from server.console.instants import CLOCK, EVENTS, LONGEST_SHIFT_MINUTES, NEEDED, SIDES, SKY, WHICH, anchor_of
from server.readings import readings_in_words

BY_CLOCK, BY_SKY = (CLOCK, "by the clock there"), (SKY, "by the sky there")
# A local time to the minute or the second, as in an address; of one that comes twice, which is meant.
CIVIL = re.compile(r"(?P<civil>\d{4}-\d\d-\d\dT\d\d:\d\d(?::\d\d)?)(?: (?P<which>earlier|later))?", re.ASCII)
PARTS = ("by", "civil", "event", "date", "minutes", "side", "which")


@dataclass(frozen=True, kw_only=True)
class SaidInstant:
    """How a person named an instant.

    Attributes:
        by: the clock, the sky, or a way of the field's own, such as now, that names no instant.
        anchor: of the commands, but for the zone of a civil time; None where no instant is named.
    """

    by: str
    anchor: dict[str, Any] | None


class InstantWidget(forms.MultiWidget):
    """The ways, of which one is chosen, each with its own fields.

    Attributes:
        ways: value and words of each.
        readings: of a local time that comes twice or never, or an event that comes twice: which is meant is asked.
    """

    template_name = "desk/instant.html"
    use_fieldset = True

    def __init__(self, ways: Sequence[tuple[str, str]]) -> None:
        self.ways, self.readings = tuple(ways), list[dict[str, str]]()
        widgets: dict[str, forms.Widget | type[forms.Widget]] = {
            "by": forms.RadioSelect(choices=self.ways),
            "civil": forms.TextInput(),
            "event": forms.Select(choices=EVENTS),
            "date": forms.TextInput(),
            "minutes": forms.NumberInput(attrs={"min": 0, "max": LONGEST_SHIFT_MINUTES}),
            "side": forms.Select(choices=SIDES),
            "which": forms.HiddenInput(),
        }
        super().__init__(widgets)

    def decompress(self, value: Any) -> list[Any]:
        """The parts of what a field begins with: a dict of them, or a local time as an address may say it; what else it
        says is passed over."""
        if isinstance(value, str) and (read := CIVIL.fullmatch(value)):
            value = {"by": CLOCK, "date": value[:10]} | read.groupdict(default="")
        usual = {"by": self.ways[0][0], "event": EVENTS[0][0], "minutes": 0, "side": SIDES[0][0]}
        said = usual | (value if isinstance(value, dict) else {})
        return [said.get(part) for part in PARTS]

    def get_context(self, name: str, value: Any, attrs: dict[str, Any] | None) -> dict[str, Any]:
        """With each part by its name."""
        context: dict[str, Any] = super().get_context(name, value, attrs)
        widget = context["widget"]
        parts = dict(zip(PARTS, widget["subwidgets"], strict=True))
        by = next(iter(parts["by"]["value"]), "")
        widget |= {
            "parts": parts,
            "ways": [{"value": way, "said": said, "checked": way == by} for way, said in self.ways],
            "readings": self.readings,
        }
        return context


class InstantField(forms.MultiValueField):
    """Names an instant. What it means only a venue's clock and sky can tell; see `instant_at`."""

    widget: InstantWidget

    def __init__(self, ways: Sequence[tuple[str, str]] = (BY_CLOCK, BY_SKY), **kwargs: Any) -> None:
        fields = (
            forms.ChoiceField(choices=ways),
            forms.CharField(required=False),
            forms.ChoiceField(choices=EVENTS, required=False),
            forms.CharField(required=False),
            forms.IntegerField(required=False, min_value=0, max_value=LONGEST_SHIFT_MINUTES),
            forms.ChoiceField(choices=SIDES, required=False),
            forms.ChoiceField(choices=WHICH, required=False),
        )
        super().__init__(fields, require_all_fields=False, widget=InstantWidget(ways), **kwargs)

    def offer(self, ways: Sequence[tuple[str, str]]) -> None:
        """Offer other ways of naming it."""
        by = self.fields[0]
        assert isinstance(by, forms.ChoiceField)
        by.choices, self.widget.ways = list(ways), tuple(ways)

    def compress(self, data_list: Sequence[Any]) -> SaidInstant:
        """The way that was chosen, with what it names; nothing where nothing was sent."""
        if not data_list:
            return SaidInstant(by="", anchor=None)
        said = dict(zip(PARTS, data_list, strict=True))
        needed = NEEDED.get(said["by"])
        if needed is not None and not said[needed]:
            raise forms.ValidationError("Say when.")
        return SaidInstant(by=said["by"], anchor=anchor_of(said) if said["by"] in NEEDED else None)


def instant_at(form: forms.Form, name: str, venue: Venue) -> str | None:
    """The instant that a field names at a venue, as the API has it; None where it names none, or cannot be read: then
    that stands beside it, and where there are two readings they are asked about."""
    said = form.cleaned_data.get(name)
    if not isinstance(said, SaidInstant) or said.anchor is None:
        return None
    zoned = {"zone": venue.zone} if "civil" in said.anchor else {}
    try:
        return format_instant(resolve(parse(said.anchor | zoned), place_of(venue), zone(venue.zone)))
    except InputError as error:
        two = readings_in_words(error)
        widget = form.fields[name].widget
        assert isinstance(widget, InstantWidget)
        widget.readings = two
        form.add_error(name, f"{error.problem}; {'choose which is meant' if two else error.remedy}")
        return None


def parts_of(at: datetime | str, clock_of: str) -> dict[str, Any]:
    """What a field begins with that is to show an instant by a clock, to the second."""
    clock = zone(clock_of)
    local = (parse_instant(at) if isinstance(at, str) else at).astimezone(clock)
    naive = local.replace(tzinfo=None, microsecond=0)
    civil = f"{naive:%Y-%m-%dT%H:%M:%S}" if naive.second else f"{naive:%Y-%m-%dT%H:%M}"
    named = readings(naive, clock)
    which = next((one.which for one in named if one.at.utcoffset() == local.utcoffset()), "") if len(named) > 1 else ""
    return {"by": CLOCK, "civil": civil, "date": f"{naive:%Y-%m-%d}", "which": which}
