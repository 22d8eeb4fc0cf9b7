"""The page that a message leads to: what is amiss, and a button for whoever sees to it. It asks for no account, but for
the secret that the message had. Looking at it changes nothing: programs follow links by themselves."""

from __future__ import annotations

from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import translation
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods

from scheduling.log.models import Matter, Message
from scheduling.telling.asking import see_to
from scheduling.telling.keeping import as_matter
from scheduling.telling.recipients import all_recipients
from server import wiring
from server.accounts.message_secrets import is_message_secret
from server.telling.words import names_of, page_of, title_of


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def acknowledge(request: HttpRequest, id: str, secret: str) -> HttpResponse:
    """What is amiss; once it is pressed, nobody else is called."""
    if not is_message_secret(id, secret):
        raise Http404
    message = get_object_or_404(Message, id=id)
    one = next((one for one in all_recipients().recipients if one.id == message.recipient), None)
    if message.matter is None or one is None:  # a test, or they are told nothing any more
        raise Http404
    row = get_object_or_404(Matter, id=message.matter)
    if request.method == "POST":
        see_to(row.id, f"recipient:{one.id}", wiring.now())
        return redirect("see-to", id=id, secret=secret)
    with translation.override(one.language):
        matter = as_matter(row)
        page = {"title": title_of(matter, names_of(matter)), "row": row, "more": page_of(matter)}
        response = render(request, "desk/see_to.html", page)
        response["Content-Language"] = one.language
    return response
