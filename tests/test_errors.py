"""Every error of the project is one kind, so that whoever stands at a door can say it in one way."""

from __future__ import annotations

import ast
import builtins
import copy
import pickle
from pathlib import Path

import pytest

from machines.errors import DayrollError, InputError
from scheduling.log.projecting.projector import ViewsSetAside
from scheduling.nodes.reports import EntryDiffers, MissingEntries, Revoked, StaleEpoch
from scheduling.rendering.plate_store import PlateGone

ROOT = Path(__file__).resolve().parent.parent
BUILT_IN = {name for name, value in vars(builtins).items() if isinstance(value, type) and issubclass(value, Exception)}
# Errors that nobody is told of.
WITHIN = {
    "machines/errors.py:DayrollError": "the kind itself",
    "machines/drivers/emulated/head.py:Refusal": "the emulated controller's answer, within itself",
    "scheduling/background/extend_plans.py:BeingDrawn": "whoever draws goes on to another run, and comes back",
}


def alone(path: Path) -> set[str]:
    """The errors of a module that are made from Python's own, and not from the project's."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text())):
        bases = {ast.unparse(base) for base in node.bases} if isinstance(node, ast.ClassDef) else set()
        if isinstance(node, ast.ClassDef) and bases & BUILT_IN and "DayrollError" not in bases:
            found.add(f"{path.relative_to(ROOT)}:{node.name}")
    return found


def test_every_error_that_people_are_told_of_is_the_projects() -> None:
    modules = [path for part in ("machines", "scheduling", "server") for path in (ROOT / part).rglob("*.py")]
    assert set().union(*map(alone, modules)) == set(WITHIN)


@pytest.mark.parametrize(
    ("error", "said"),
    [
        (DayrollError("the roll is empty"), "the roll is empty"),
        (DayrollError("the roll is empty", "put in another"), "the roll is empty; put in another"),
        (InputError("head.dots", "3 are too few", "give 8"), "head.dots: 3 are too few; give 8"),
        (InputError("dots", "3 are too few", "give 8").within("head"), "head.dots: 3 are too few; give 8"),
        (InputError("", "3 are too few", "give 8").within("head"), "head: 3 are too few; give 8"),
        (PlateGone("ab12"), "plate ab12 is not in the server's store"),
        (StaleEpoch(1, 2), "epoch 1 was replaced by 2; stop printing, and enrol again to take over"),
        (Revoked(1), "the studio has revoked this board; stop printing, and enrol it with a new code to take over"),
        (MissingEntries(3, 5), "entry 5 came where 3 was expected; send again from 3"),
    ],
)
def test_an_error_says_what_is_wrong_and_what_helps(error: DayrollError, said: str) -> None:
    assert str(error) == said
    assert error.problem in said and error.remedy in said


def test_an_error_knows_its_remedy_by_itself() -> None:
    assert ViewsSetAside(["runs"]).remedy.endswith("`dayroll log rebuild` has run")
    assert EntryDiffers(4).remedy.startswith("Stop this board. ")
    assert f"it wrote last. {EntryDiffers(4).remedy}" in str(EntryDiffers(4))
    assert InputError("dots", "3 are too few", "give 8").said == "3 are too few; give 8"


def test_an_error_can_be_handed_to_another_process() -> None:
    error = InputError("dots", "3 are too few", "give 8")
    for again in (copy.copy(error), pickle.loads(pickle.dumps(error))):
        assert (str(again), again.field, again.remedy) == (str(error), "dots", "give 8")
