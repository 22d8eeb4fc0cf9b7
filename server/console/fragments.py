"""What a page asks for again and again: answered with 304 where nothing but the time of looking is another."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable
from functools import wraps
from html import unescape
from typing import Concatenate, ParamSpec
from urllib.parse import quote

from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.utils.cache import get_conditional_response

Rest = ParamSpec("Rest")
AS_OF = re.compile(rb' data-asof="([^"]*)"')


def unless_the_same(
    view: Callable[Concatenate[HttpRequest, Rest], HttpResponse],
) -> Callable[Concatenate[HttpRequest, Rest], HttpResponseBase]:
    """A part of a page with a tag of all that it shows but for the time in ``data-asof``. With 304 that stands in the
    header ``As-Of``, quoted as in an address, so that the page goes on to say how old it is."""

    @wraps(view)
    def answered(request: HttpRequest, /, *args: Rest.args, **kwargs: Rest.kwargs) -> HttpResponseBase:
        response = view(request, *args, **kwargs)
        found = AS_OF.search(response.content)
        if response.status_code != 200 or found is None:
            return response
        shown = response.content[: found.start()] + response.content[found.end() :]
        response["ETag"] = f'"{hashlib.sha256(shown).hexdigest()}"'
        response["As-Of"] = quote(unescape(found[1].decode()))
        same = get_conditional_response(request, etag=response["ETag"], response=response)
        if same is not None and same is not response:
            same["As-Of"] = response["As-Of"]
        return same or response

    return answered
