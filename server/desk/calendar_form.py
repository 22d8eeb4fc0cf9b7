"""The form of what a person's calendar shows, and when it reminds: two reminders for each kind of entry."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from django import forms
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from machines.operator.language import marked
from scheduling.calendar.entries import Category
from server.accounts.person_calendars import KINDS, MOST_ALARMS_EACH
from server.desk.order_form import OrderForm

# Of which one chooses; the API and the terminal take any minute up to four weeks before.
REMINDERS_MIN = (0, 15, 30, 60, 120, 360, 720, 1440, 2880, 10_080)
HOUR_MIN, DAY_MIN, WEEK_MIN = 60, 1440, 10_080
KIND_WORDS: Mapping[Category, str] = {
    "opening": marked("Openings"),
    "service": marked("Service windows"),
    "run": marked("Runs that begin, end or are held"),
    "supplies": marked("Rolls, ink and blades that end"),
    "hours": marked("Dates with other hours"),
    "sky": marked("The sky"),
}


class WishesForm(OrderForm):
    """Which venues, and when it reminds of what."""

    def __init__(self, data: Any, *, wishes: Mapping[str, Any], venues: Mapping[str, str]) -> None:
        """
        Args:
            data: what was sent; None where it was only asked for.
            wishes: as they stand, as the API has them.
            venues: theirs, names by id.
        """
        stands = _stands(wishes)
        super().__init__(data, initial=stands | {"venues": wishes["venues"]})
        # One that they chose and that is not theirs any more stays chosen: without a tick they would get every venue.
        chosen = {id: venues.get(id, id) for id in wishes["venues"]}
        self.fields["venues"] = forms.MultipleChoiceField(
            required=False,
            label=_("Only these venues"),
            help_text=_("none ticked: every one of yours"),
            choices=list((dict(venues) | chosen).items()),
            widget=forms.CheckboxSelectMultiple,
        )
        for kind in KINDS:
            for number in range(MOST_ALARMS_EACH):
                name = f"{kind}_{number}"
                minutes = sorted({*REMINDERS_MIN, *(int(stands[name]) for name in [name] if stands[name])})
                choices = [("", _("no reminder")), *((str(one), before_in_words(one)) for one in minutes)]
                label = _("{kind}, reminder {number}").format(kind=_(KIND_WORDS[kind]), number=number + 1)
                self.fields[name] = forms.ChoiceField(required=False, label=label, choices=choices)

    def rows(self) -> Iterator[tuple[str, list[forms.BoundField]]]:
        """Each kind with its reminders."""
        for kind, words in KIND_WORDS.items():
            yield _(words), [self[f"{kind}_{number}"] for number in range(MOST_ALARMS_EACH)]

    def places(self) -> Mapping[str, str]:
        """Of what the API refuses."""
        return {"venues": "venues", "venue": "venues"}

    def said(self) -> dict[str, Any]:
        """All of it; the same reminder twice is one."""
        minutes = {
            kind: dict.fromkeys(
                int(said) for number in range(MOST_ALARMS_EACH) if (said := self.cleaned_data[f"{kind}_{number}"])
            )
            for kind in KINDS
        }
        alarms = [{"kind": kind, "before_min": one} for kind, ones in minutes.items() for one in ones]
        return {"venues": self.cleaned_data["venues"], "alarms": alarms}


def _stands(wishes: Mapping[str, Any]) -> dict[str, str]:
    """What the fields of reminders say."""
    found = dict.fromkeys((f"{kind}_{number}" for kind in KINDS for number in range(MOST_ALARMS_EACH)), "")
    for kind in KINDS:
        of_kind = [one["before_min"] for one in wishes["alarms"] if one["kind"] == kind]
        found |= {f"{kind}_{number}": str(before) for number, before in enumerate(of_kind)}
    return found


def before_in_words(minutes: int) -> str:
    """How long before an entry begins."""
    if minutes == 0:
        return _("as it begins")
    if minutes % WEEK_MIN == 0:
        many = minutes // WEEK_MIN
        return ngettext("{many} week before", "{many} weeks before", many).format(many=many)
    if minutes % DAY_MIN == 0:
        many = minutes // DAY_MIN
        return ngettext("{many} day before", "{many} days before", many).format(many=many)
    if minutes % HOUR_MIN == 0:
        many = minutes // HOUR_MIN
        return ngettext("{many} hour before", "{many} hours before", many).format(many=many)
    return ngettext("{many} minute before", "{many} minutes before", minutes).format(many=minutes)
