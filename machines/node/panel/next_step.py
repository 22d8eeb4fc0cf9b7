"""The one thing that a machine waits for a person to do, as it stands: what the panel says first."""

from __future__ import annotations

from dataclasses import dataclass

from machines.node.panel.panel_state import PanelFacts
from machines.operator import holds
from machines.operator.labels import ARM, LABELS, SET_TIME, PanelAction
from machines.operator.language import _, marked

NOTHING = marked("Nothing has to be done: what is planned goes on by itself.")
KNIFE_OFF = marked(
    "It prints, and its knife is off: strips hang on to each other until it is armed. If you may not arm it, ring."
)
FENCED = marked("This board prints no more: another took its place, or its card is not what it was. Ring.")
UNTIMELY = marked(
    "It waits to know the time, which its server tells it. Where that stays out of reach, set it by a clock you trust."
)
REFUSED = marked("Look at the machine and its paper: it refused one order after another. If you do not see why, ring.")


@dataclass(frozen=True)
class NextStep:
    """What comes next.

    Attributes:
        action: which, at the panel; None where a person need do nothing.
        look: what to see to before, or that there is nothing to do.
        after: what comes after it; empty for nothing.
    """

    action: PanelAction | None
    look: str
    after: str = ""


def next_step(facts: PanelFacts) -> NextStep:
    """What a machine waits for. Whatever held it, its knife is off; that matters where strips are cut."""
    if facts.fenced:
        return NextStep(None, _(FENCED))
    arming = ""
    if facts.has_knife and facts.is_cut:
        arming = _("Then, to have strips cut: {action}.").format(action=_(LABELS[ARM]))
    if facts.hold == holds.STOPPED:
        resuming = _("Then: {action}.").format(action=_(LABELS["resume"]))
        return NextStep("release", _look(facts), f"{resuming} {arming}".rstrip())
    if facts.hold:
        return NextStep("resume", _look(facts), arming)
    if not facts.is_timely:
        return NextStep(None if facts.time_problem else SET_TIME, _(UNTIMELY))
    if facts.has_knife and facts.is_cut and not facts.knife_armed:
        return NextStep(ARM, _(KNIFE_OFF))
    return NextStep(None, _conditions(facts) or _(NOTHING))


def _look(facts: PanelFacts) -> str:
    words = holds.HOLD_WORDS.get(facts.hold)
    return f"{_conditions(facts)} {_(REFUSED if words is None else words.first_look)}".lstrip()


def _conditions(facts: PanelFacts) -> str:
    """What it says of itself; that it is held stands above."""
    told = [asks for keyword, asks in facts.conditions if keyword != "paused"]
    return " ".join(_("See to what it says: {what}.").format(what=asks) for asks in told)
