"""Every answer that any test gets from the API is one that the API's description names for that call."""

from __future__ import annotations

import json
import re
from functools import cache

from django.conf import settings
from django.http import HttpResponse

PARAMETER = re.compile(r"\\{\w+\\}")


@cache
def _described() -> list[tuple[re.Pattern[str], dict[str, set[str]]]]:
    """By what their addresses look like, the statuses of each method of them; those without parameters first."""
    if not settings.configured:  # a program that only calls, such as a crowd of strangers
        return []
    from drf_spectacular.generators import SchemaGenerator
    from drf_spectacular.renderers import OpenApiJsonRenderer2

    document = json.loads(OpenApiJsonRenderer2().render(SchemaGenerator().get_schema(request=None, public=True)))
    found = []
    for path, methods in sorted(document["paths"].items(), key=lambda one: one[0].count("{")):
        pattern = re.compile(PARAMETER.sub("[^/?]+", re.escape(path)) + r"(\?.*)?", re.DOTALL)
        found.append((pattern, {method.upper(): set(said["responses"]) for method, said in methods.items()}))
    return found


def declared(method: str, path: str, answer: HttpResponse) -> HttpResponse:
    """The answer, if its status is one that the description names; a call that it does not name is no call of it.

    Raises:
        AssertionError: callers are not told that this may come.
    """
    for pattern, methods in _described():
        if pattern.fullmatch(f"/api/v1/{path}") and method in methods:
            said = f"{method} {path} answered {answer.status_code}, which the description does not name"
            assert str(answer.status_code) in methods[method], said
            break
    return answer
