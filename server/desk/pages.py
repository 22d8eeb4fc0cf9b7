"""The pages of each kind of thing: the list, a new one, one of them, changing it, doing something to it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from http import HTTPStatus
from typing import Any

from django.contrib.auth.decorators import login_required
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import URLPattern, path, reverse
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods, require_safe

from server.accounts.principals import Grant
from server.api.in_process import Answer, ask
from server.console.beginning import next_step
from server.desk.callers import caller_of
from server.desk.history_words import steps_in_words
from server.desk.order_form import OrderForm
from server.desk.ordering import Order, keep_files, send
from server.desk.rights import may_add, may_change, may_do, require_adding, require_order
from server.desk.subjects import Row, Subject, name_of

PAGE_OF = 200


def addresses(subject: Subject) -> Iterator[URLPattern]:
    """Of the pages of a kind of thing."""
    plural, name, given = subject.plural, subject.name, {"subject": subject}
    yield path(plural, listed, given, name=f"desk-{plural}")
    if subject.add is not None:
        yield path(f"{plural}/new", add, given, name=f"new-{name}")
    yield path(f"{plural}/<id:id>", one, given, name=f"desk-{name}")
    if subject.change is not None:
        yield path(f"{plural}/<id:id>/change", change, given, name=f"change-{name}")
    for deed in subject.deeds:
        yield path(f"{plural}/<id:id>/{deed.act}", do, given | {"act": deed.act}, name=f"{deed.act}-{name}")


@login_required
@never_cache
@require_safe
def listed(request: HttpRequest, subject: Subject) -> HttpResponse:
    """All of them, those that are put away last."""
    caller = caller_of(request)
    rows = [*subject.seen(all_of(lambda **query: ask(caller, "GET", subject.plural, **query)))]
    rows.sort(key=lambda row: (not subject.is_used(row), subject.sorted_by(row)))
    shown = [{"row": row, "said": subject.listed(row), "is_used": subject.is_used(row)} for row in rows]
    page = {"subject": subject, "shown": shown, "may_add": may_add(caller.holder.standing, subject)}
    return render(request, subject.list_template, page)


def all_of(asked: Callable[..., Answer]) -> list[Row]:
    """The rows of a list of the API, page after page."""
    rows: list[Row] = []
    query: dict[str, str] = {"limit": str(PAGE_OF)}
    while True:
        body = asked(**query).body
        rows += body["results"]
        if not body.get("next"):
            return rows
        query["cursor"] = body["next"]


@login_required
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def add(request: HttpRequest, subject: Subject) -> HttpResponse:
    """A form for a new one; what it means, where the API tells; then it is there."""
    assert subject.add is not None
    standing = caller_of(request).holder.standing
    require_adding(standing, subject)
    form = subject.add(request.POST or None, request.FILES or None, initial=subject.add.starting(request.GET))
    form.offer_to(standing)
    page: dict[str, Any] = {"subject": subject, "form": form, "title": f"{subject.one}, new", "verb": "Add it"}
    if request.method == "POST" and form.is_valid():
        order = Order(
            method="POST",
            address=subject.plural,
            done=lambda row: f"{name_of(subject.seen_one(row))} is added.",
            then=lambda row: reverse(f"desk-{subject.name}", args=[row["id"]]),
            previews=subject.add_previews,
            look=subject.look,
            accepts=False,
        )
        sent = send(request, form, order, "")
        if sent.answer is not None:
            return sent.answer
        page["looked"] = sent.looked
    elif request.method == "POST":
        keep_files(request, form)
    page |= {"previews": subject.add_previews, "back": reverse(f"desk-{subject.plural}")}
    return render(request, form.page_template, page)


@login_required
@never_cache
@require_safe
def one(request: HttpRequest, subject: Subject, id: str) -> HttpResponse:
    """What there is to say of one, what can be done to it, and what people made of it."""
    caller = caller_of(request)
    row = subject.seen_one(ask(caller, "GET", f"{subject.plural}/{id}").body)
    history = ask(caller, "GET", f"{subject.plural}/{id}/history").body
    standing = caller.holder.standing
    page = {
        "subject": subject,
        "row": row,
        "facts": list(subject.facts(row)),
        **_offered(standing, subject, row),
        "steps": steps_in_words(history["steps"], subject, row),
        "board": history.get("board"),
        "next_step": next_step() if standing.role == "studio" else None,
        **subject.more(caller, row),
        **subject.asked(caller, row, request.GET.dict()),
    }
    return render(request, subject.template, page)


def _offered(standing: Grant, subject: Subject, row: Row) -> dict[str, Any]:
    """What they can do to it now."""
    deeds = [one for one in subject.deeds if not one.hindered(row) and may_do(standing, subject, row, one.act)]
    is_fixed = subject.change is None or bool(subject.fixed(row))
    return {"deeds": deeds, "may_change": not is_fixed and may_change(standing, subject, row)}


@login_required
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def change(request: HttpRequest, subject: Subject, id: str) -> HttpResponse:
    """How it stands, in a form; what would follow; then it is so."""
    assert subject.change is not None
    page = {"verb": "Keep it so", "hindered": subject.fixed}
    return _ordered(request, subject, id, subject.change, "PATCH", "", "is as you said", page)


@login_required
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def do(request: HttpRequest, subject: Subject, id: str, act: str) -> HttpResponse:
    """What doing it means; then it is done."""
    deed = subject.deed(act)
    if deed is None:
        raise Http404
    page = {"verb": deed.button, "deed": deed, "hindered": deed.hindered}
    return _ordered(request, subject, id, deed.form, "POST", f"/{act}", deed.done, page)


def _ordered(
    request: HttpRequest,
    subject: Subject,
    id: str,
    kind: type[OrderForm],
    method: str,
    act: str,
    done: str,
    page: dict[str, Any],
) -> HttpResponse:
    caller = caller_of(request)
    found = ask(caller, "GET", f"{subject.plural}/{id}")
    row = subject.seen_one(found.body)
    require_order(caller.holder.standing, subject, row, act.removeprefix("/"))
    title = f"{page['verb']}: {name_of(row)}" if act else f"Change {name_of(row)}"
    if why := page["hindered"](row):
        return not_now(request, subject, row, title, why)
    form = kind.of(row, request.POST or None, request.FILES or None)
    if request.method != "POST":
        form.initial = {**form.initial, **kind.starting(request.GET)}  # as the season says to where somebody moved it
    tag = request.POST.get("tag") or found.tag or ""
    shown: dict[str, Any] = {"subject": subject, "row": row, "form": form, "previews": True, "title": title}
    if request.method == "POST" and form.is_valid():
        order = Order(
            method=method,
            address=f"{subject.plural}/{id}{act}",
            done=lambda after: f"{name_of(subject.seen_one(after))} {done}.",
            then=lambda row: reverse(f"desk-{subject.name}", args=[id]),
            clock=subject.clock(row),
        )
        sent = send(request, form, order, tag)
        if sent.answer is not None:
            return sent.answer
        shown["looked"], tag = sent.looked, sent.tag
    elif request.method == "POST":
        keep_files(request, form)
    back = reverse(f"desk-{subject.name}", args=[id])
    return render(request, form.page_template, shown | page | {"tag": tag, "back": back})


def not_now(request: HttpRequest, subject: Subject, row: Row, title: str, why: str) -> HttpResponse:
    """Why it cannot be meant now, and what can be; 409 (RFC 9110 section 15.5.10) where it was ordered."""
    page = {"subject": subject, "row": row, "title": title, "why": why}
    page |= _offered(caller_of(request).holder.standing, subject, row)
    status = HTTPStatus.CONFLICT if request.method == "POST" else HTTPStatus.OK
    return render(request, "desk/not_now.html", page, status=status)
