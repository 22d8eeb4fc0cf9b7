"""Ids that are made of names, where people gave none."""

from __future__ import annotations

from collections.abc import Container
from typing import Any

from django.utils.text import slugify

from scheduling.log.models import ClosedStream

LONGEST_ID = 40


def taken_ids(model: type[Any], kind: str) -> set[str]:
    """The ids of a kind of thing, and those that were closed into archives, which nothing else may have."""
    closed = ClosedStream.objects.filter(stream__startswith=f"{kind}/").values_list("stream", flat=True)
    return {*model.objects.values_list("id", flat=True), *(one.removeprefix(f"{kind}/") for one in closed)}


def id_for(name: str, taken: Container[str]) -> str:
    """An id that says what a thing is called, and that nothing else has: letters of other scripts are left out."""
    wanted = slugify(name)[:LONGEST_ID].strip("-_").replace("_", "-") or "new"
    number, found = 1, wanted
    while found in taken:
        number += 1
        found = f"{wanted[: LONGEST_ID - len(str(number)) - 1].rstrip('-')}-{number}"
    return found
