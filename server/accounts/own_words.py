"""Words that whoever guesses at this server tries first, and of which no password is made."""

from __future__ import annotations

import re
from itertools import chain

from django.contrib.auth.models import AbstractBaseUser
from django.core.exceptions import ValidationError

from scheduling.log.models import Machine, Venue

HOUSE_WORDS = ("dayroll", "password", "studio", "curator", "reader", "machine", "venue")
SHORTEST_WORD, LEAST_LEFT = 3, 8


def own_words(*names: str) -> set[str]:
    """The program's, and those in the ids and names of venues and machines, and in other names, in lower case."""
    names = (*names, *chain(*Venue.objects.values_list("id", "name"), *Machine.objects.values_list("id", "name")))
    found = (word for name in names for word in re.findall(r"\w+", name.casefold()))
    return {word for word in found if len(word) >= SHORTEST_WORD} | set(HOUSE_WORDS)


class OwnWordsValidator:
    """A validator as Django asks for one: without these words something must be left."""

    def validate(self, password: str, user: AbstractBaseUser | None = None) -> None:
        """See that a password is not made of them.

        Raises:
            ValidationError: too little is left without them.
        """
        left, theirs = password.casefold(), "" if user is None else user.get_username()
        for word in sorted(own_words(theirs), key=len, reverse=True):
            left = left.replace(word, "")
        if len(left) < min(LEAST_LEFT, len(password)):
            raise ValidationError("It is made of words that are tried here first.", code="own_words")

    def get_help_text(self) -> str:
        """What is asked, in words."""
        return "No word of this house: its name, its roles, its venues, its machines, your own."
