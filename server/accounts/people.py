"""Accounts of people, who sign in on the pages, and what their role is.

A superuser of Django (`dayroll createsuperuser`) is the studio's. Everybody else has the role that was given to the
account; an account to which nobody gave one may only look.
"""

from __future__ import annotations

from django.contrib.auth.models import AbstractBaseUser, AnonymousUser, User
from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import ValidationError
from django.db import transaction

from machines.errors import InputError
from server.accounts.models import PersonRole
from server.accounts.principals import STUDIO, Grant, in_short
from server.accounts.signing_in import end_sessions

LOOKS_ONLY = Grant("reader")


def standing_of(person: AbstractBaseUser | AnonymousUser) -> Grant:
    """What a person may do here; whoever is not signed in only looks."""
    if not isinstance(person, User):
        return LOOKS_ONLY
    if person.is_superuser:
        return STUDIO
    row = PersonRole.objects.filter(person=person).first()
    return LOOKS_ONLY if row is None else row.standing


def check_new_name(name: str) -> None:
    """See that a new account may have a name.

    Raises:
        InputError: it is no name, or somebody has it.
    """
    try:
        User._meta.get_field("username").clean(name, None)
    except ValidationError as error:
        raise InputError("name", f"{name!r} names nobody", " ".join(error.messages)) from error
    if User.objects.filter(username=User.normalize_username(name)).exists():
        raise InputError("name", f"{name!r} has an account already", "give another name, or change or reopen that one")


def check_password(name: str, password: str) -> None:
    """See that somebody may have a password.

    Raises:
        InputError: it is too short, too common or too much like the name.
    """
    try:
        validate_password(password, User(username=name))
    except ValidationError as error:
        raise InputError("password", "it is too easily guessed", " ".join(error.messages)) from error


def make_person(name: str, password: str, standing: Grant) -> int:
    """A new account with a role, and its number.

    Raises:
        InputError: the name or the password will not do.
    """
    check_new_name(name)
    check_password(name, password)
    with transaction.atomic():
        person = User.objects.create_user(name, password=password)
        PersonRole.objects.create(person=person, role=standing.role, venues=standing.venues)
    return int(person.pk)


def change_role(name: str, standing: Grant) -> int:
    """Give somebody another role, or other venues; it counts from the next page on. Returns the account's number.

    Raises:
        InputError: nobody has the name, or it is a superuser's.
    """
    person = _named(name)
    if person.is_superuser:
        raise InputError("name", f"{name!r} is a superuser, who is the studio's", "make another account for the role")
    PersonRole.objects.update_or_create(person=person, defaults={"role": standing.role, "venues": standing.venues})
    return int(person.pk)


def close_account(name: str) -> int:
    """Let somebody sign in no more; who is signed in is signed out. What they did stays under the account's number,
    which is returned.

    Raises:
        InputError: nobody has the name.
    """
    return _let_in(name, False)


def reopen_account(name: str) -> int:
    """Let somebody sign in again whose account was closed, with the password and the role that they had. Returns the
    account's number.

    Raises:
        InputError: nobody has the name.
    """
    return _let_in(name, True)


def _let_in(name: str, may_sign_in: bool) -> int:
    person = _named(name)
    person.is_active = may_sign_in
    with transaction.atomic():
        person.save(update_fields=["is_active"])
        end_sessions(person)  # those of before would come to life again with the account
    return int(person.pk)


def number_of(name: str) -> int:
    """The number of somebody's account.

    Raises:
        InputError: nobody has the name.
    """
    return int(_named(name).pk)


def listed() -> list[str]:
    """A line for each account, in the order in which they were made."""
    return [_line(person) for person in User.objects.order_by("pk")]


def _line(person: User) -> str:
    state = "may sign in" if person.is_active else "closed"
    return f"user:{person.pk}  {state}  {in_short(standing_of(person))}  {person.username}"


def _named(name: str) -> User:
    person = User.objects.filter(username=User.normalize_username(name)).first()
    if person is None:
        raise InputError("name", f"{name!r} has no account", "see the names in the list of people")
    return person
