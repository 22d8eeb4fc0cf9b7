"""What people are told: the matters, what was sent of them, and who is told, seen by whoever may change it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from django.conf import settings
from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from scheduling.commands.recipients import change_recipients
from scheduling.log.models import Matter, Message
from scheduling.telling.keeping import as_matter
from scheduling.telling.recipients import all_recipients
from scheduling.telling.whom import TEST
from server.accounts.roles import require_role, roles_for
from server.api.in_process import ask
from server.console.author import for_givers_of
from server.console.contact_words import ROLE_WORDS
from server.desk.callers import caller_of, names_of
from server.desk.order_form import OrderForm, ReasonForm
from server.desk.ordering import Order, send
from server.desk.recipient_form import RecipientForm
from server.telling.words import all_names, title_of
from server.value_words import instant_in_words

MATTERS_SHOWN = 60
LEAD = "Who is told what is amiss, how, of what and when. Only what stands now is kept: whoever is taken away is gone."


@login_required
@never_cache
@require_safe
def told(request: HttpRequest) -> HttpResponse:
    """What is amiss and was within ninety days, and what was sent of it; who is told, for who may change it."""
    may = caller_of(request).holder.standing.role in roles_for(change_recipients)
    rows = list(Matter.objects.order_by("-told_from", "id")[:MATTERS_SHOWN])
    sent = Message.objects.filter(matter__in=[row.id for row in rows]).order_by("made_at", "id")
    tests = Message.objects.filter(what=TEST).order_by("-made_at")[:5] if may else ()
    page = {
        "matters": _matters(rows, list(sent)),
        "may": may,
        "recipients": [_recipient(one) for one in all_recipients().recipients] if may else [],
        "tests": [_sent(one) for one in tests],
        "sends_mail": settings.SENDS_MAIL,
        "has_address": settings.HAS_ADDRESS,
        "section": "told",
    }
    return render(request, "desk/told.html", page)


def _matters(rows: Sequence[Matter], sent: Sequence[Message]) -> list[dict[str, Any]]:
    known = [as_matter(row) for row in rows]
    names, accounts = all_names(known), names_of(row.acknowledged_by or "" for row in rows)
    return [
        {
            "id": row.id,
            "title": title_of(matter, names),
            "state": _state(row, accounts),
            "is_over": row.over_at is not None,
            "is_open": row.over_at is None and row.acknowledged_at is None,
            "sent": [_sent(one) for one in sent if one.matter == row.id],
        }
        for row, matter in zip(rows, known, strict=True)
    ]


def _state(row: Matter, accounts: Mapping[str, str]) -> str:
    said = f"since {instant_in_words(row.began_at, None)}"
    if row.acknowledged_at is not None:
        who = row.acknowledged_by or ""
        name = accounts.get(who, who.removeprefix("recipient:")) or "somebody"
        said += f"; {name} sees to it since {instant_in_words(row.acknowledged_at, None)}"
    return said if row.over_at is None else f"{said}; over {instant_in_words(row.gone_at or row.over_at, None)}"


def _sent(one: Message) -> str:
    what = "a test" if one.what == TEST else "that it is over" if one.what == "over" else "of it"
    whom = one.recipient or "somebody who was taken away since"
    if one.sent_at is not None:
        return f"{whom} was told {what} by {one.way}, {instant_in_words(one.sent_at, None)}"
    if one.given_up_at is not None:
        return f"{whom} was not told {what} by {one.way}: {one.problem or 'there was no need any more'}"
    again = f", tried again {instant_in_words(one.next_at, None)}" if one.tries else ""
    return f"{whom} is being told {what} by {one.way}{again}{f': {one.problem}' if one.problem else ''}"


def _recipient(one: Any) -> dict[str, str]:
    after = f"when nobody sees to it for {one.after_min} min" if one.after_min else "at once"
    hours = ", in their hours" if one.on_call is not None else ""
    where = f" of {', '.join(one.venues)}" if one.venues else ""
    said = f"{ROLE_WORDS[one.role]}{where}, {one.email or one.webhook}, {after}{hours}"
    return {"id": one.id, "name": one.name or one.id, "said": said}


@login_required
@never_cache
@require_POST
def see_to_it(request: HttpRequest, id: str) -> HttpResponse:
    """Whoever is signed in sees to a matter."""
    ask(caller_of(request), "POST", f"matters/{id}/acknowledge")
    messages.success(request, "It is noted that you see to it: nobody else is called.")
    return redirect("told")


@for_givers_of(change_recipients)
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def new(request: HttpRequest) -> HttpResponse:
    """Somebody more is told."""
    return _form(request, None)


@for_givers_of(change_recipients)
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def change(request: HttpRequest, id: str) -> HttpResponse:
    """Somebody is told otherwise."""
    return _form(request, id)


def _form(request: HttpRequest, own: str | None) -> HttpResponse:
    every, tag = _every(request)
    stands = next((one for one in every if one["id"] == own), None)
    if own is not None and stands is None:
        raise Http404
    initial = None if stands is None else RecipientForm.fields_of(stands)
    form = RecipientForm(request.POST or None, every=every, own=own, initial=initial)
    page: dict[str, Any] = {
        "title": "Have somebody told" if own is None else f"How {own} is told",
        "verb": "Keep it so",
        "lead": LEAD,
    }
    if stands is not None:
        page["row"] = stands
    if stands is not None and stands["webhook"]:
        page["secret"] = ask(caller_of(request), "GET", f"recipients/{own}/secret").body["secret"]
    return _kept(
        request, form, request.POST.get("tag") or tag, page, "It is kept so. Send a test, to see that it arrives."
    )


@for_givers_of(change_recipients)
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def remove(request: HttpRequest, id: str) -> HttpResponse:
    """Somebody is told nothing more, and is gone."""
    every, tag = _every(request)
    if not any(one["id"] == id for one in every):
        raise Http404
    form = _Removing(request.POST or None, left=[one for one in every if one["id"] != id])
    page = {"title": f"Tell {id} nothing more", "verb": "Take them away", "lead": LEAD}
    return _kept(request, form, request.POST.get("tag") or tag, page, f"{id} is told nothing more.")


class _Removing(ReasonForm):
    def __init__(self, *args: Any, left: list[dict[str, Any]], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.left = left

    def said(self) -> dict[str, Any]:
        """Those who stay."""
        return {"recipients": self.left, "reason": self.cleaned_data["reason"] or None}


def _every(request: HttpRequest) -> tuple[list[dict[str, Any]], str]:
    """All that are told, as the API has them, and the tag of that."""
    caller = caller_of(request)
    require_role(caller.holder.standing, change_recipients)
    found = ask(caller, "GET", "recipients")
    return [] if found.body is None else found.body["recipients"], found.tag or ""


def _kept(request: HttpRequest, form: OrderForm, tag: str, page: dict[str, Any], done: str) -> HttpResponse:
    """What would follow; then it is so."""
    back = reverse("told")
    page |= {"form": form, "previews": True, "back": back, "section": "told"}
    if request.method == "POST" and form.is_valid():
        order = Order(method="PUT", address="recipients", done=lambda _: done, then=lambda _: back)
        sent = send(request, form, order, tag)
        if sent.answer is not None:
            return sent.answer
        page["looked"], tag = sent.looked, sent.tag
    return render(request, "desk/recipient.html", page | {"tag": tag})


@for_givers_of(change_recipients)
@never_cache
@require_POST
def test(request: HttpRequest, id: str) -> HttpResponse:
    """A test is sent to somebody."""
    ask(caller_of(request), "POST", f"recipients/{id}/test")
    messages.success(request, f"A test is being sent to {id}; below you see when it was taken.")
    return redirect("told")
