"""The way from nothing: what a new studio adds first, in which order, and what of it is there."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from django.urls import reverse

from scheduling.log.models import Machine, Profile, Run, Source, Venue


@dataclass(frozen=True)
class BeginningStep:
    """A step of the way.

    Attributes:
        name: what is added.
        said: what that is.
        button: to do it.
        address: of the page on which it is done; empty before the machine is there that it is for.
        is_done: whether there is one.
    """

    name: str
    said: str
    button: str
    address: str
    is_done: bool


def beginning() -> tuple[BeginningStep, ...]:
    """The steps of a studio none of whose machines ever had a board; none where one had."""
    if Machine.objects.filter(epoch__gt=0).exists():
        return ()
    return tuple(_steps())


def next_step() -> BeginningStep | None:
    """The first that is not done; None where the beginning is over."""
    return next((step for step in beginning() if not step.is_done), None)


def _steps() -> Iterator[BeginningStep]:
    machine = Machine.objects.filter(retired_at=None).order_by("id").first()
    yield _adding("A venue", "where machines stand, and by which clock", "Add a venue", "venue", Venue)
    yield _adding("A model", "what a kind of machine is, in numbers", "Describe a model", "profile", Profile)
    yield _adding("A machine", "it stands at a venue, and is of a model", "Add a machine", "machine", Machine)
    yield _adding("A picture", "what is printed, once around the sky", "Add a picture", "source", Source)
    run = "which machine prints which picture, by what of the sky, from when until when"
    is_planned = Run.objects.filter(withdrawn_at=None).exists()
    yield BeginningStep("A run", run, "Plan a run", reverse("new-run"), is_planned)
    board = "the small computer beside the machine takes over by a code, and prints"
    address = "" if machine is None else reverse("board-act", args=[machine.id, "code"])
    yield BeginningStep("A board", board, "Make a code for it", address, False)


def _adding(name: str, said: str, button: str, of: str, model: Any) -> BeginningStep:
    is_done = model.objects.filter(retired_at=None).exists()
    return BeginningStep(name, said, button, reverse(f"new-{of}"), is_done)
