"""What is done to a run as a whole: it is withdrawn, ended, held, let go on, or followed by another."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar, Self

from django import forms

from machines.operator.safety_notes import BESIDE, UNATTENDED
from machines.recovery import Policy
from machines.serialization import structure
from scheduling.commands.hold_run import CAUTION
from scheduling.commands.meanwhile import meanwhile
from scheduling.log.models import Run, Venue
from server import wiring
from server.console.ids import LONGEST_ID, id_for
from server.desk import run_states
from server.desk.cause_rules import PLAIN_RULES
from server.desk.instants import BY_CLOCK, BY_SKY, InstantField, instant_at, parts_of
from server.desk.order_form import ReasonForm
from server.desk.run_forms import offered_machines, offered_sources
from server.desk.run_words import BOUNDARIES, ends
from server.desk.subjects import Deed

NOW = ("now", "now")
OPEN = ("open", "until people let it go on")
AS_IT_IS = ("as-it-is", "where that was to end")
# Beside the API's, a boundary of another kind: where what is laid ends.
LAID = "where what is laid or in hand ends, as when the machine is broken"


class TimedForm(ReasonForm):
    """Something that is done to a run at an instant.

    Attributes:
        INSTANTS: the fields that name one, by the path of the body's.
        ORDER: of the fields.
        row: the run.
    """

    PLACES: ClassVar[dict[str, str]] = ReasonForm.PLACES | {"at": "at"}
    INSTANTS: ClassVar[Mapping[str, str]] = {"at": "at"}
    row: Mapping[str, Any]

    at = InstantField((NOW, BY_CLOCK, BY_SKY), label="When")
    ORDER: ClassVar[tuple[str, ...]] = ("at", "until", "boundary", "reason")

    @classmethod
    def of(cls, row: Mapping[str, Any], data: Any, files: Any) -> Self:
        """By the clock and the sky where its machine stands."""
        form = cls(data, files, initial=cls.initial_of(row))
        form.row = row
        form.order_fields(cls.ORDER)
        form.about(row)
        return form

    @classmethod
    def initial_of(cls, row: Mapping[str, Any]) -> dict[str, Any]:
        """By the clock they begin with the time of today there."""
        today = parts_of(wiring.now().replace(second=0), row["zone"])
        return {name: today | {"by": cls.base_fields[name].widget.ways[0][0]} for name in cls.INSTANTS.values()}

    def about(self, row: Mapping[str, Any]) -> None:
        """Ask only what can be meant of the run."""
        boundary = self.fields.get("boundary")
        if isinstance(boundary, forms.ChoiceField):
            boundary.choices = [one for one in BOUNDARIES.items() if one[0] != "strip" or row["strips_per_turn"]]

    def clean(self) -> dict[str, Any]:
        """What the instants are at its venue."""
        cleaned: dict[str, Any] = self.cleaned_data
        venue = Venue.objects.get(id=self.row["venue"])
        self.instants = {path: instant_at(self, name, venue) for path, name in self.INSTANTS.items()}
        return cleaned

    def said(self) -> dict[str, Any]:
        """The body, with instants as the API has them; now is where nobody says when."""
        return super().said() | self.instants


class EndForm(TimedForm):
    """When a run ends."""

    PLACES: ClassVar[dict[str, str]] = TimedForm.PLACES | {"boundary": "boundary"}

    boundary = forms.ChoiceField(label="From then on it ends", initial="burst", widget=forms.RadioSelect)

    def about(self, row: Mapping[str, Any]) -> None:
        """One that is over is only lengthened."""
        super().about(row)
        if ends(row) <= wiring.now():
            at = self.fields["at"]
            assert isinstance(at, InstantField)
            at.offer((BY_CLOCK, BY_SKY))
            self.initial["at"] |= {"by": BY_CLOCK[0]}
            at.help_text = run_states.was_due(row)


class HoldForm(EndForm):
    """From when to when a run is held."""

    PLACES: ClassVar[dict[str, str]] = EndForm.PLACES | {"until": "until"}
    INSTANTS: ClassVar[Mapping[str, str]] = {"at": "at", "until": "until"}

    until = InstantField((OPEN, BY_CLOCK, BY_SKY), label="Until")

    def about(self, row: Mapping[str, Any]) -> None:
        """With what becomes of the time between, by the run's own rule."""
        super().about(row)
        self.fields["at"].label = "From"
        self.fields["boundary"].label = "From then on it stops"
        self.fields["until"].help_text = meanwhile(structure(row["policy"], Policy).rule_for("held"))


class SucceedForm(TimedForm):
    """A run that goes on where this one ends: the same, but for what is named."""

    REPEATS: ClassVar[bool] = False

    PLACES: ClassVar[dict[str, str]] = TimedForm.PLACES | {
        "boundary": "boundary",
        "id": "id",
        "machine": "machine",
        "source": "source",
        "ends_at": "ends",
        "policy": "rule",
        "segments_per_turn": "segments",
        "strips_per_turn": "strips",
    }
    INSTANTS: ClassVar[Mapping[str, str]] = {"at": "at", "ends_at": "ends"}
    ORDER: ClassVar[tuple[str, ...]] = (
        "source", "machine", "at", "boundary", "ends", "rule", "strips", "segments", "id", "reason",
    )  # fmt: skip

    source = forms.ChoiceField(label="What it prints")
    machine = forms.ChoiceField(label="On which machine", help_text="of as many columns to a turn")
    boundary = forms.ChoiceField(label="From then on it takes over", widget=forms.RadioSelect, initial="turn")
    ends = InstantField((AS_IT_IS, BY_CLOCK, BY_SKY), label="It ends")
    rule = forms.ChoiceField(required=False, choices=(("", "as this run says"), *PLAIN_RULES), label="What was missed")
    strips = forms.IntegerField(required=False, min_value=0, label="Strips a turn", help_text="as this run says")
    segments = forms.IntegerField(required=False, min_value=1, label="Segments a turn", help_text="as this run says")
    id = forms.CharField(
        required=False,
        max_length=LONGEST_ID,
        label="Id, for addresses",
        help_text="made of this one's where it is empty",
    )

    @classmethod
    def initial_of(cls, row: Mapping[str, Any]) -> dict[str, Any]:
        """As this run is."""
        return super().initial_of(row) | {"machine": row["machine"], "source": row["source"]}

    def about(self, row: Mapping[str, Any]) -> None:
        """With what there is to print, and on what."""
        super().about(row)
        for name, choices in (("machine", offered_machines()), ("source", offered_sources())):
            field = self.fields[name]
            assert isinstance(field, forms.ChoiceField)
            known = dict(choices)
            field.choices = list(({row[name]: row[f"{name}_name"]} | known).items())
        boundary = self.fields["boundary"]
        assert isinstance(boundary, forms.ChoiceField)
        boundary.choices = [*BOUNDARIES.items(), ("laid", LAID)]
        if not row["strips_per_turn"]:
            boundary.choices = [one for one in boundary.choices if one[0] != "strip"]

    def said(self) -> dict[str, Any]:
        """What is another, and an id that is free."""
        said, body = self.cleaned_data, super().said()
        for name in ("machine", "source"):
            if body[name] == self.row[name]:
                body[name] = None
        taken = frozenset(Run.objects.values_list("id", flat=True))
        body["policy"] = {"kind": said["rule"]} if said["rule"] else None
        return body | {"id": said["id"] or id_for(str(self.row["id"]), taken)}


DEEDS = (
    Deed(
        act="hold",
        button="Hold",
        lead="Nothing of it is laid for a while, as for a private view or a repair. The machine caps and parks, and"
        " goes on by itself.",
        done="is held as you said",
        form=HoldForm,
        hindered=run_states.not_held,
        caution=CAUTION,
    ),
    Deed(
        act="continue",
        button="Let it go on",
        lead="What is held goes on; a hold that has not begun by then is taken back.",
        done="goes on as you said",
        form=TimedForm,
        hindered=run_states.not_let_go_on,
        caution="\n".join(("It moves by itself then, whoever stands there.", *BESIDE["resume"])),
    ),
    Deed(
        act="end",
        button="Give it another end",
        lead="It ends earlier than was planned, or later, where its machine is free; never before what is laid or in"
        " hand.",
        done="ends as you said",
        form=EndForm,
        hindered=run_states.not_ended,
    ),
    Deed(
        act="succeed",
        button="Let another follow",
        lead="Another run goes on where this one ends, without a gap: the same but for what you change here. Its"
        " columns go on counting.",
        done="is followed as you said",
        form=SucceedForm,
        caution=UNATTENDED,
        hindered=run_states.not_followed,
    ),
    Deed(
        act="withdraw",
        button="Withdraw",
        lead="It is not printed. It stays in the list, marked, and another can be planned in its place.",
        done="is withdrawn",
        hindered=run_states.not_withdrawn,
    ),
)
