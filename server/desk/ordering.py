"""An order on a page: it is said, what would follow is shown, and then it is kept or said otherwise.

What is kept is what was seen: the body that was looked at, on what the row was then, with the kinds of warnings that
were told. Where one of these is another by then, it is shown again, and what was typed stays.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from typing import Any
from zoneinfo import ZoneInfo

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.utils.translation import gettext as _
from rest_framework.exceptions import APIException

from machines.errors import DayrollError, InputError
from machines.operator.language import marked
from scheduling.commands.changes import NotAccepted
from scheduling.commands.handlers import IdInUse
from scheduling.commands.idempotency import digest_of
from scheduling.log.store import VersionConflict
from server.accounts.roles import NotOfTheirRole
from server.api.in_process import Caller, ask
from server.api.problems import MovedOn
from server.console import formatting
from server.desk.callers import caller_of, names_of
from server.desk.order_form import OrderForm, leaves, without_nulls

MEANWHILE = marked(
    "Somebody else changed it meanwhile{changes}. This is what your order would mean now; what you typed stands."
)
OTHERWISE = marked(
    "You have said something else since you looked, or more follows by now. Look at it below, then keep it."
)


@dataclass(frozen=True, kw_only=True)
class Order:
    """What a page orders of the API.

    Attributes:
        method, address: of the request.
        done: what is said when it is done, of the row as it then is.
        then: the page to go to, likewise.
        previews: whether the API tells beforehand what would follow; else it is done at once.
        clock: by which its times are said; None for UTC.
        look: what would follow, where the API tells that elsewhere: who asks, the form and its body.
        accepts: whether the API takes which warnings are meant, as it does of changes; else what would follow is looked
            at once more before it is kept.
    """

    method: str
    address: str
    done: Callable[[Mapping[str, Any]], str]
    then: Callable[[Mapping[str, Any]], str]
    previews: bool = True
    clock: ZoneInfo | None = None
    look: Callable[[Caller, OrderForm, dict[str, Any]], Looked] | None = None
    accepts: bool = True


@dataclass(frozen=True)
class Table:
    """Something in rows."""

    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True)
class Difference:
    """A field that would differ, in words."""

    label: str
    before: str
    after: str


@dataclass(frozen=True)
class Looked:
    """What an order would mean.

    Attributes:
        fields: what would differ.
        in_words, warnings: what would follow, and what should be meant.
        figures: how much more or less is printed, in words.
        table: what is best told in rows.
        minded: how many warnings stand beside their fields.
        kinds: of all its warnings.
        seal: by which the very same is known again.
        changes: whether anything would be changed.
    """

    fields: tuple[Difference, ...] = ()
    in_words: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()
    figures: tuple[str, ...] = ()
    table: Table | None = None
    minded: int = 0
    kinds: frozenset[str] = frozenset()
    seal: str = ""
    changes: bool = True


@dataclass
class Ordered:
    """What became of an order that was sent.

    Attributes:
        answer: the way on, where it was kept.
        looked: what it would mean, where it can be looked at.
        tag: of the row as it stands now.
    """

    tag: str
    answer: HttpResponse | None = None
    looked: Looked | None = field(default=None)


def send(request: HttpRequest, form: OrderForm, order: Order, tag: str) -> Ordered:
    """Look at an order, or keep it.

    Args:
        request: of the page, with ``keep`` where what was looked at is to be kept.
        form: valid; what is refused is put beside its fields.
        order: what is ordered.
        tag: of what it was decided on; empty where it is of nothing.

    Raises:
        NotOfTheirRole: they may not order it.
        Http404: it is of nothing that there is.
    """
    caller, sent = caller_of(request), Ordered(tag)
    with _refusing(form):
        form.prepare(caller)
        if "draw" in request.POST:  # it is only looked at, on the form itself
            return sent
        _sent(request, caller, form, order, sent)
    return sent


def keep_files(request: HttpRequest, form: OrderForm) -> None:
    """Keep what was sent with a form in which something is wrong, so that it need not be sent again.

    Raises:
        NotOfTheirRole: they may keep none.
    """
    with _refusing(form):
        form.prepare(caller_of(request))


@contextmanager
def _refusing(form: OrderForm) -> Iterator[None]:
    """Put what is refused on the form."""
    try:
        yield
    except VersionConflict:
        form.add_error(None, _(MEANWHILE).format(changes=""))
    except (InputError, IdInUse) as error:
        form.refuse(error)
    except NotOfTheirRole:
        raise
    except DayrollError as error:
        form.add_error(None, str(error))
    except APIException as error:
        form.add_error(None, str(error.detail))


def _sent(request: HttpRequest, caller: Caller, form: OrderForm, order: Order, sent: Ordered) -> None:
    body = form.said() if order.method == "PATCH" else without_nulls(form.said())
    sealed, _space, kinds = request.POST.get("keep", "").partition(" ")
    wanted = digest_of(body)
    try:
        if not order.previews or sealed == wanted:
            sent.answer = _kept(request, caller, form, order, body, sent.tag, kinds)
            return
        if sealed:
            form.add_error(None, _(OTHERWISE))
    except NotAccepted:
        form.add_error(None, _(OTHERWISE))
    except MovedOn as error:
        sent.tag = error.tag
        form.add_error(None, _(MEANWHILE).format(changes=_who(error, form)))
    sent.looked = _looked(caller, form, order, body, sent.tag, wanted)


def _kept(
    request: HttpRequest, caller: Caller, form: OrderForm, order: Order, body: dict[str, Any], tag: str, kinds: str
) -> HttpResponse:
    query = {"accept": kinds} if kinds and order.accepts else {}
    if order.previews and not order.accepts and not _same(_look(caller, form, order, body, tag), kinds):
        raise NotAccepted(())
    row = ask(caller, order.method, order.address, body, tag=tag or None, **query).body
    messages.success(request, order.done(row))
    return redirect(order.then(row))


def _looked(
    caller: Caller, form: OrderForm, order: Order, body: dict[str, Any], tag: str, wanted: str
) -> Looked | None:
    try:
        looked = _look(caller, form, order, body, tag)
    except InputError as error:
        form.refuse(error)
        return None
    return replace(looked, seal=_seal(wanted, looked.kinds))


def _look(caller: Caller, form: OrderForm, order: Order, body: dict[str, Any], tag: str) -> Looked:
    """What an order would mean now."""
    if order.look is not None:
        return order.look(caller, form, body)
    found = ask(caller, order.method, order.address, body, tag=tag or None, preview="true").body
    return Looked(
        fields=tuple(_differences(found["fields"], form, order)) if form.REPEATS else (),
        in_words=tuple(found["in_words"]),
        warnings=tuple(one["in_words"] for one in found["warnings"]),
        figures=tuple(_figures(found.get("figures"))),
        kinds=frozenset(one["kind"] for one in found["warnings"]),
        changes=bool(found["fields"]),
    )


def _seal(wanted: str, kinds: frozenset[str]) -> str:
    return " ".join((wanted, ",".join(sorted(kinds)))).strip()


def _same(looked: Looked, kinds: str) -> bool:
    """Whether nothing is warned of that was not told of."""
    return looked.kinds <= set(kinds.split(","))


def _differences(fields: list[dict[str, Any]], form: OrderForm, order: Order) -> Iterator[Difference]:
    for one in fields:
        if order.method == "POST" and one["before"] is None and one["after"] in (None, "", [], {}):
            continue  # of what is new, what nobody said
        for path, before, after in leaves(one["field"], one["before"], one["after"]):
            words = (form.words_of(path, value, order.clock) for value in (before, after))
            yield Difference(form.label_of(path), *words)


def _figures(figures: dict[str, Any] | None) -> Iterator[str]:
    """How much more or less is printed, a few words each."""
    if figures is None:
        return
    for name, unit, places in (("columns", "columns", 0), ("paper_m", "m of paper", 2), ("cuts", "cuts", 0)):
        if figures[name]:
            yield f"{_sign(figures[name])}{abs(figures[name]):.{places}f} {unit}"
    if figures["ink_ml"]:
        yield f"{_sign(figures['ink_ml'])}{formatting.ink(abs(figures['ink_ml']))} of ink"


def _sign(number: float) -> str:
    return "−" if number < 0 else "+"


def _who(error: MovedOn, form: OrderForm) -> str:
    """Who changed what, as far as it is known."""
    steps = error.changes or ()
    names = names_of(step["actor"] for step in steps)
    said = set()
    for step in steps:
        changed = dict.fromkeys(
            form.label_of(path)
            for one in step["fields"]
            for path, _, _ in leaves(one["field"], one["before"], one["after"])
        )
        said.add(f"{names.get(step['actor'], step['actor'])}: {', '.join(changed)}")
    return f" ({'; '.join(sorted(said))})" if said else ""
