"""What the studio's pages know of a kind of thing: how it is listed, shown, added, changed, and what is done to one."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any
from zoneinfo import ZoneInfo

from server.api.in_process import Caller
from server.desk.order_form import OrderForm, ReasonForm
from server.desk.ordering import Looked

Row = Mapping[str, Any]
Facts = Iterable[tuple[str, str]]


@dataclass(frozen=True, kw_only=True)
class Deed:
    """Something that is done to one as a whole.

    Attributes:
        act: the last of its address in the API.
        button: what it is called, as in "Retire".
        lead: what it means, in a sentence or two.
        done: that it is done, after the thing's name.
        form: what is asked for with it.
        hindered: why it cannot be meant now, by the row, and what would help; empty where it can. What cannot be meant
            is not offered.
        caution: what to mind at the machine, where it can hurt somebody; a line each.
    """

    act: str
    button: str
    lead: str
    done: str
    form: type[OrderForm] = ReasonForm
    hindered: Callable[[Row], str] = lambda row: ""
    caution: str = ""

    @property
    def cautions(self) -> list[str]:
        """What to mind, thing by thing."""
        return lines_of(self.caution)


def lines_of(caution: str) -> list[str]:
    """A caution's lines, without the hyphens of a list."""
    return [line.strip().removeprefix("- ") for line in caution.splitlines()]


RETIRED = "retired_at"


def is_used(row: Row) -> bool:
    """Whether a row was not retired."""
    return row.get(RETIRED) is None


def put_away(row: Row) -> str:
    """Why a row cannot be changed: it was retired; empty while it is used."""
    return "" if is_used(row) else "It is put away. Take it back first."


def by_name(row: Row) -> Any:
    """A list by its names."""
    return name_of(row).casefold()


def name_of(row: Row) -> str:
    """What one is called."""
    return str(row.get("name") or row["id"])


@dataclass(frozen=True, kw_only=True)
class Subject:
    """A kind of thing.

    Attributes:
        name, plural: as the API and the addresses of the pages have it.
        title: of the list.
        one: of a single thing, as in "A venue".
        lead: what such a thing is, in a sentence.
        model: its table, for ids that are free.
        add, change: the forms; None where there is none.
        listed: what the list says of one beside its name.
        facts: what its page says of it.
        clock: by which its times are said.
        deeds: what is done to one.
        caution: what to mind at the machine when one is added or changed, a line each.
        add_previews: whether the API tells beforehand what adding one means.
        template, list_template: of the pages.
        more: what else the page of one shows.
        seen: rows as the pages take them, with what else they show beside what the API says; all in one go.
        asked: what else its page shows, by what the address asks for.
        sorted_by: of a row, by what the list is sorted; those that are put away come last.
        is_used: whether one was not put away, by the row.
        away: what the list says of one that is not; empty where ``listed`` says it.
        fixed: why it cannot be changed now, by the row, and what would help; empty where it can.
        venue_of: id of the venue that one belongs to, or of each; None for none.
        look: what adding one would mean, where the API tells that elsewhere than where it is added: who asks, the form
            and its body.
    """

    name: str
    plural: str
    title: str
    one: str
    lead: str
    model: Any
    listed: Callable[[Row], str]
    facts: Callable[[Row], Facts]
    clock: Callable[[Row], ZoneInfo | None] = lambda row: None
    add: type[OrderForm] | None = None
    change: type[OrderForm] | None = None
    deeds: tuple[Deed, ...] = ()
    caution: str = ""
    add_previews: bool = False
    template: str = "desk/one.html"
    list_template: str = "desk/listed.html"
    more: Callable[[Caller, Row], Mapping[str, Any]] = field(default=lambda caller, row: {})
    seen: Callable[[Sequence[Row]], Sequence[Row]] = field(default=lambda rows: rows)

    asked: Callable[[Caller, Row, Mapping[str, str]], Mapping[str, Any]] = field(default=lambda caller, row, query: {})
    sorted_by: Callable[[Row], Any] = by_name
    is_used: Callable[[Row], bool] = is_used
    away: str = "put away"
    fixed: Callable[[Row], str] = put_away
    venue_of: Callable[[Row], str | tuple[str, ...] | None] = lambda row: None
    look: Callable[[Caller, OrderForm, dict[str, Any]], Looked] | None = None

    @property
    def cautions(self) -> list[str]:
        """What to mind, thing by thing."""
        return lines_of(self.caution)

    def seen_one(self, row: Row) -> Row:
        """A row as the pages take it."""
        return self.seen([row])[0]

    def deed(self, act: str) -> Deed | None:
        """What is done under the last of an address."""
        return next((one for one in self.deeds if one.act == act), None)


def put_away_already(row: Row) -> str:
    """Why it cannot be put away."""
    return "" if is_used(row) else "It is put away already."


def retiring(name: str, lead: str) -> tuple[Deed, Deed]:
    """Putting one of a kind away, and taking it back."""
    return (
        Deed(act="retire", button="Put away", lead=lead, done="is put away", hindered=put_away_already),
        Deed(
            act="take-back",
            button="Take back",
            lead=f"The {name} is used again, as it was.",
            done="is used again",
            hindered=lambda row: "It is used, and was not put away." if is_used(row) else "",
        ),
    )
