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
from server.heavy import Busy

IN_INK = "The ink is an estimate, by the picture drawn {scale}; once the run is planned, its page counts dots."
NO_INK = "How much ink it takes is not told: too many pictures are being drawn at this moment. Look again for it."


def look(caller: Caller, form: OrderForm, body: dict[str, Any]) -> Looked:
    """What a run would come to; see `server.desk.subjects.Subject.look`.

    Raises:
        InputError: it cannot be planned.
        IdInUse: its id is in use.
    """
    found, of_ink = _checked(caller, body)
    machine = Machine.objects.select_related("venue").get(id=body["machine"])
    told = [f"{one['in_words'][0].upper()}{one['in_words'][1:]}." for one in found["warnings"]]
    beside = [form.mind(one["field"], said) for one, said in zip(found["warnings"], told, strict=True)]
    return Looked(
        in_words=(*_in_words(body, found, machine), *of_ink),
        figures=tuple(_figures(found)),
        warnings=tuple(said for said, stands in zip(told, beside, strict=True) if not stands),
        minded=sum(beside),
        kinds=frozenset(one["kind"] for one in found["warnings"]),
        table=Table(
            "What is to be changed meanwhile", ("What", "It ends", "It is changed"), tuple(_ends(found, machine))
        ),
    )


def _checked(caller: Caller, body: dict[str, Any]) -> tuple[dict[str, Any], tuple[str, ...]]:
    """What the API says of it, and why nothing of its ink, where that cannot be drawn now."""
    try:
        return ask(caller, "POST", "run-checks", body).body, ()
    except Busy:
        return ask(caller, "POST", "run-checks", body, without_ink="true").body, (NO_INK,)


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
    if (ink := found["ink"]) is not None:
        yield IN_INK.format(scale=_scale(ink))


def _scale(ink: dict[str, Any]) -> str:
    """How its picture was drawn for it."""
    drawn, printed, turns = ink["drawn_columns"], ink["columns_per_turn"], ink["drawn_turns"]
    said = "column for column" if drawn == printed else f"with {drawn:,} columns for {printed:,} of a turn"
    return said if turns == 1 else f"{said}, of {turns} turns spread over the run"


def _figures(found: dict[str, Any]) -> Iterator[str]:
    yield f"{found['paper_mm'] / 1000.0:.2f} m of paper"
    yield f"{found['cuts']} {'cut' if found['cuts'] == 1 else 'cuts'}"
    if (ink := found["ink"]) is not None:
        yield _ink(ink)
    for part, count in Counter(one["part"] for one in found["ends"]).items():
        yield f"{count} {part}{'' if count == 1 else 's'} used up"


def _ink(ink: dict[str, Any]) -> str:
    """All of it, and how much of a cartridge that is."""
    idle_ml, cartridges = ink["idle_ml"] or 0.0, ink["cartridges"]
    said = f"about {formatting.ink(ink['picture_ml'] + idle_ml)} of ink"
    said += f", {formatting.ink(idle_ml)} of it to keep nozzles open" if idle_ml else ""
    return said if cartridges is None else f"{said}: {_cartridges(formatting.two_digits(cartridges), cartridges)}"


def _cartridges(number: str, cartridges: float) -> str:
    if number == "1":
        return "about one cartridge"
    return f"{number} of a cartridge" if cartridges < 1.0 else f"about {number} cartridges"


def _ends(found: dict[str, Any], machine: Machine) -> Iterator[tuple[str, ...]]:
    for one in found["ends"]:
        at = formatting.moment(parse_instant(one["end"]["at"]), machine.venue.zone)
        yield one["part"].capitalize(), at, one["end"]["change"]["in_words"]
