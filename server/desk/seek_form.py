"""The form by which a run is sought: what is to be printed where, between when it may begin, and until when."""

from __future__ import annotations

import re
from typing import Any, ClassVar

from django import forms

from scheduling.commands.run_search import MOST_COUNTS
from scheduling.log.models import Run, Source
from server.console.ids import id_for
from server.desk.instants import InstantField
from server.desk.order_form import Group, without_nulls
from server.desk.run_forms import RunFields

COUNTS = re.compile(r"[0-9]{1,4}(?:[ ,;]+[0-9]{1,4})*", re.ASCII)
# What of a run is said once one is chosen, and moves no wish.
LATER = (
    "starts",
    "begins_in_the_past",
    "segments",
    "rule",
    "within",
    "within_unit",
    "half_printed",
    "only_while_closed",
)


class SeekForm(RunFields):
    """A run of which the beginning is open."""

    PLACES: ClassVar[dict[str, str]] = {
        **{f"run.{path}": field for path, field in RunFields.PLACES.items() if field not in LATER},
        "run.starts_at": "earliest",
        "earliest": "earliest",
        "latest": "latest",
        "strips_per_turn": "others",
    }
    GROUPS: ClassVar[tuple[Group, ...]] = (
        Group("What and where", ("source", "machine"), "pairs"),
        Group("It may begin", ("earliest", "latest"), "pairs"),
        Group("It ends", ("ends", "only_while_open"), "pairs"),
        Group("How a turn is counted and cut", ("cycle", "seconds", "epoch", "strips", "others"), "pairs"),
    )

    BEGINS: ClassVar[str] = "earliest"

    earliest = InstantField(label="From")
    latest = InstantField(label="Until")
    others = forms.CharField(
        required=False, label="Or so many strips", help_text=f"up to {MOST_COUNTS} other counts, such as 1, 4, 12"
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        known = {name for group in self.GROUPS for name in group.fields}
        for name in self.fields.keys() - known:
            del self.fields[name]
        self.fields["ends"].label = "At"
        epoch = self.fields["epoch"]
        assert isinstance(epoch, InstantField)
        epoch.offer((("start", "where it may begin first"), *epoch.widget.ways[1:]))

    def clean(self) -> dict[str, Any]:
        """With the counts of strips."""
        cleaned = super().clean()
        if cleaned.get("others") and not COUNTS.fullmatch(cleaned["others"].strip()):
            self.add_error("others", "Give numbers with commas between them, such as 1, 4, 12.")
        return cleaned

    def printed(self) -> Source | None:
        """What is printed; None where nothing is chosen."""
        return Source.objects.filter(id=self.cleaned_data.get("source")).first()

    def said(self) -> dict[str, Any]:
        """The search as the API takes it, but for the wishes."""
        said = self.cleaned_data
        run = {
            "id": id_for(f"{said['source']}-{said['machine']}", frozenset(Run.objects.values_list("id", flat=True))),
            "machine": said["machine"],
            "source": said["source"],
            "cycle": said["cycle"],
            "cycle_options": self._options(),
            "starts_at": self.instants["earliest"],
            "ends_at": self.instants["ends"],
            "strips_per_turn": said["strips"],
            "only_while_open": said["only_while_open"],
            "policy": {"kind": "skip"},
            "segments_per_turn": 1,
        }
        return {
            "run": without_nulls(run),
            "earliest": self.instants["earliest"],
            "latest": self.instants["latest"],
            "strips_per_turn": [int(one) for one in re.findall("[0-9]+", said["others"])],
        }
