"""Ids that are made of names, where people gave none."""

from __future__ import annotations

from collections.abc import Container

from django.utils.text import slugify

LONGEST_ID = 40


def id_for(name: str, taken: Container[str]) -> str:
    """An id that says what a thing is called, and that nothing else has: letters of other scripts are left out."""
    wanted = slugify(name)[:LONGEST_ID].strip("-_").replace("_", "-") or "new"
    number, found = 1, wanted
    while found in taken:
        number += 1
        found = f"{wanted[: LONGEST_ID - len(str(number)) - 1].rstrip('-')}-{number}"
    return found
