"""What planning a run would come to, as the API's check tells it: each warning beside its field, and what it costs."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from typing import Any

from machines.serialization import parse_instant
from scheduling.log.models import Machine
from scheduling.queries.runs import machine_profile
from server.api.in_process import Caller, ask
from server.console import formatting
from server.desk.order_form import OrderForm
from server.desk.ordering import Looked, Table
from server.desk.run_words import dressed, turns

INK_LATER = "How much ink it takes is counted from its plates: its page says it once it is planned."


def look(caller: Caller, form: OrderForm, body: dict[str, Any]) -> Looked:
    """What a run would come to; see `server.desk.subjects.Subject.look`.

    Raises:
        InputError: it cannot be planned.
        IdInUse: its id is in use.
    """
    found = ask(caller, "POST", "run-checks", body).body
    machine = Machine.objects.select_related("venue").get(id=body["machine"])
    told = [f"{one['in_words'][0].upper()}{one['in_words'][1:]}." for one in found["warnings"]]
    beside = [form.mind(one["field"], said) for one, said in zip(found["warnings"], told, strict=True)]
    return Looked(
        in_words=tuple(_in_words(body, found, machine)),
        figures=tuple(_figures(found)),
        warnings=tuple(said for said, stands in zip(told, beside, strict=True) if not stands),
        minded=sum(beside),
        kinds=frozenset(one["kind"] for one in found["warnings"]),
        table=Table(
            "What is to be changed meanwhile", ("What", "It ends", "It is changed"), tuple(_ends(found, machine))
        ),
    )


def _in_words(body: dict[str, Any], found: dict[str, Any], machine: Machine) -> Iterator[str]:
    row, zone = dressed([body])[0], machine.venue.zone
    begins, ends = (formatting.moment(parse_instant(body[name]), zone) for name in ("starts_at", "ends_at"))
    yield f"{machine.name} prints {row['source_name']} from {begins} to {ends}, by the clock of {zone}."
    columns = machine_profile(profile=machine.profile_id).columns_per_turn
    first, end = found["first_column"], found["end_column"]
    yield f"That is {turns(found, columns)}, {formatting.columns(end - first)}."
    begins_with = formatting.under_the_head(body["cycle"], first % columns / columns)
    ends_with = formatting.under_the_head(body["cycle"], end % columns / columns)
    yield f"Under the head is {begins_with} when it begins, and {ends_with} when it ends."
    yield INK_LATER


def _figures(found: dict[str, Any]) -> Iterator[str]:
    yield f"{found['paper_mm'] / 1000.0:.2f} m of paper"
    yield f"{found['cuts']} {'cut' if found['cuts'] == 1 else 'cuts'}"
    for part, count in Counter(one["part"] for one in found["ends"]).items():
        yield f"{count} {part}{'' if count == 1 else 's'} used up"


def _ends(found: dict[str, Any], machine: Machine) -> Iterator[tuple[str, ...]]:
    for one in found["ends"]:
        at = formatting.moment(parse_instant(one["end"]["at"]), machine.venue.zone)
        yield one["part"].capitalize(), at, one["end"]["change"]["in_words"]
