"""The board of a machine on the pages: which may come in, codes by which another takes over, and shutting one out."""

from __future__ import annotations

import ipaddress
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlsplit
from zoneinfo import ZoneInfo

from django.contrib.auth.decorators import login_required
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods, require_safe

from machines.errors import InputError
from machines.operator.safety_notes import KNIFE_NOTE, UNATTENDED
from machines.serialization import parse_instant
from scheduling.log.models import Machine
from scheduling.queries.machine_context import machine_context
from scheduling.queries.runs import machine_profile
from server import wiring
from server.accounts.boards import revoke_node
from server.accounts.enrolment import cancel_codes, make_code
from server.accounts.roles import Command, require_role, roles_for
from server.api.in_process import ask
from server.console.machine_card import station
from server.console.qr_code import qr_svg
from server.desk.callers import caller_of, names_of
from server.desk.machines import MACHINES
from server.desk.order_form import OrderForm
from server.desk.ordering import Order, send
from server.desk.pages import not_now
from server.desk.subjects import Row, is_used, put_away
from server.value_words import instant_in_words

NODE = ".venv/bin/dayroll-node"
HOME = "/var/lib/dayroll-node"
STATES = {"good": "still good", "used": "used", "cancelled": "cancelled", "expired": "expired"}


@dataclass(frozen=True)
class BoardAct:
    """Something that is done about a machine's board.

    Attributes:
        act: the last of its address on the pages.
        address: below the machine's in the API.
        command: as roles know it.
        button: what it is called.
        means: what it means, a sentence each.
        done: that it is done.
    """

    act: str
    address: str
    command: Command
    button: str
    means: tuple[str, ...]
    done: str


CODE = BoardAct(
    "code",
    "enrolment",
    make_code,
    "Make a code",
    (
        "Whichever board uses the code first becomes the board of this machine. It is good once, for a day.",
        "A board that is there now prints on until then. When the code is used it is fenced off: it learns so when it"
        " calls next, and prints no more.",
        "The code is shown once, on the next page. Whoever reads it can take the machine over.",
    ),
    "",
)
CANCEL = BoardAct(
    "cancel",
    "enrolment/cancel",
    cancel_codes,
    "Cancel its codes",
    ("Every code of this machine that nobody used is good for nothing from then on.", "The board that is there stays."),
    "Its codes are good for nothing now.",
)
REVOKE = BoardAct(
    "revoke",
    "board/revoke",
    revoke_node,
    "Shut its board out",
    (
        "The board may come in no more, and codes that nobody used are cancelled. To print again, another is enrolled.",
        "It learns so when it calls next, and then prints no more; one that is offline prints on what it holds.",
        "This stops no machine. In danger use the stop control beside it: it cuts the power.",
    ),
    "Its board comes in no more.",
)
ACTS = {one.act: one for one in (CODE, CANCEL, REVOKE)}


@login_required
@never_cache
@require_safe
def board(request: HttpRequest, id: str) -> HttpResponse:
    """Which board may come in for a machine, when it was heard, and its codes."""
    caller = caller_of(request)
    row = MACHINES.seen_one(ask(caller, "GET", f"machines/{id}").body)
    stands = ask(caller, "GET", f"machines/{id}/board").body
    page = {
        "row": row,
        "facts": list(_facts(row, stands)),
        "codes": list(_codes(stands, MACHINES.clock(row))),
        "acts": [one for one in _offered(row, stands) if caller.holder.standing.role in roles_for(one.command)],
    }
    return render(request, "desk/board.html", page)


@login_required
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def do(request: HttpRequest, id: str, act: str) -> HttpResponse:
    """What it means; then it is done."""
    if (what := ACTS.get(act)) is None:
        raise Http404
    caller, back = caller_of(request), reverse("desk-board", args=[id])
    form = OrderForm(request.POST if request.method == "POST" else None)
    require_role(caller.holder.standing, what.command)
    row = MACHINES.seen_one(ask(caller, "GET", f"machines/{id}").body)
    title = f"{what.button}: {row['name']}"
    if what is CODE and (why := put_away(row)):
        return not_now(request, MACHINES, row, title, why)
    page = {"row": row, "form": form, "act": what, "title": title, "verb": what.button}
    if request.method == "POST" and (answer := _done(request, form, what, row, back)) is not None:
        return answer
    return render(request, "desk/board_act.html", page | {"back": back, "previews": False})


def _done(request: HttpRequest, form: OrderForm, what: BoardAct, row: Row, back: str) -> HttpResponse | None:
    """The way on; None where it was refused, and the form says why."""
    form.is_valid()
    if what is CODE:
        try:
            return _made(request, row)
        except InputError as error:  # the machine was put away in this moment
            form.refuse(error)
            return None
    order = Order(
        method="POST",
        address=f"machines/{row['id']}/{what.address}",
        done=lambda _: what.done,
        then=lambda _: back,
        previews=False,
    )
    return send(request, form, order, "").answer


def _made(request: HttpRequest, row: Row) -> HttpResponse:
    """A code is made, and shown this once."""
    made = ask(caller_of(request), "POST", f"machines/{row['id']}/enrolment").body
    heading, *points = UNATTENDED.splitlines()
    has_knife = machine_profile(profile=row["profile"]).knife is not None
    page = {
        "row": row,
        "code": made["code"],
        "qr": qr_svg(made["code"]),
        "until": instant_in_words(parse_instant(made["expires_at"]), MACHINES.clock(row)),
        "zone": row["clock"],
        "enrol": enrol_command(request.build_absolute_uri("/")),
        "run": f"{NODE} run --home {HOME}",
        "alone": (heading, [point.strip(" -") for point in points]),
        "knife": [point.strip(" -") for point in KNIFE_NOTE.splitlines()] if has_knife else [],
    }
    return render(request, "desk/code.html", page)


def enrol_command(server: str) -> str:
    """What is typed at the board; the code is asked for then, so that it stands in no list of commands.

    Args:
        server: the address by which this server is reached.
    """
    parts = urlsplit(server)
    plain = " --plain-http" if parts.scheme == "http" and not _is_loopback(parts.hostname or "") else ""
    return f"{NODE} enrol --server {parts.scheme}://{parts.netloc}{plain} --home {HOME}"


def _is_loopback(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def _offered(row: Row, stands: Mapping[str, Any]) -> Iterator[BoardAct]:
    """What can be meant now: no board takes over a machine that was put away; one that is there still comes in."""
    if is_used(row):
        yield CODE
    if any(code["state"] == "good" for code in stands["codes"]):
        yield CANCEL
    if stands["epoch"] and stands["revoked_at"] is None:
        yield REVOKE


def _facts(row: Row, stands: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    clock = MACHINES.clock(row)
    if not stands["epoch"]:
        yield "Board", "none was ever enrolled"
        return
    yield (
        "Board",
        f"the {_ordinal(stands['epoch'])}" + ("" if stands["epoch"] == 1 else "; those before are fenced off"),
    )
    if stands["enrolled_at"] is not None:
        yield "Enrolled", instant_in_words(parse_instant(stands["enrolled_at"]), clock)
    if stands["revoked_at"] is not None:
        yield "Shut out", instant_in_words(parse_instant(stands["revoked_at"]), clock)
    yield "Heard", station(machine_context(Machine.objects.get(pk=row["id"]), wiring.now())).heard


def _ordinal(number: int) -> str:
    """Such as ``2nd``."""
    ending = "th" if 10 <= number % 100 <= 20 else {1: "st", 2: "nd", 3: "rd"}.get(number % 10, "th")
    return f"{number}{ending}"


def _codes(stands: Mapping[str, Any], clock: ZoneInfo | None) -> Iterator[dict[str, str]]:
    """The newest first, each with who made it and until when it is good."""
    names = names_of(code["made_by"] or "" for code in stands["codes"])

    def said(at: str) -> str:
        return instant_in_words(parse_instant(at), clock)

    for code in stands["codes"]:
        yield {
            "id": f"code:{code['id']}",
            "made": said(code["made_at"]),
            "by": names.get(code["made_by"], code["made_by"] or "nobody knows whom"),
            "state": STATES[code["state"]] + (f", until {said(code['expires_at'])}" if code["state"] == "good" else ""),
        }
