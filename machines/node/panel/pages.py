"""The pages as text. Whatever comes from outside the program is escaped here, and only here."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from pathlib import Path
from string import Template

from machines.node.clock import manual_time
from machines.node.manual import job, position_recovery, prints
from machines.node.panel.next_step import NextStep, next_step
from machines.node.panel.panel_state import HAND_ACTIONS, PanelFacts
from machines.node.store import operator_actions
from machines.node.store.part_changes import NOBODY, TAKES_BACK
from machines.operator import holds
from machines.operator.labels import ARM, CALL, LABELS, SET_TIME, PanelAction
from machines.operator.language import LANGUAGES, _, decimal, marked, spoken
from machines.operator.local_time import clock_named
from machines.operator.safety_notes import ALWAYS_HOLDS, BESIDE
from machines.protocol.journal_entries import Action
from machines.protocol.messages import Whereabouts

HERE = Path(__file__).parent
LOOKED = marked("I have looked: all hands are clear, the guards are closed.")
BLANK = marked("I have looked: from the head to the roll the paper is blank, nobody drew it back, all hands are clear.")
BEFORE = marked("I have looked: it is the one that was in the machine before.")
ZONE_LABEL = marked("Its zone, an IANA name such as Europe/Lisbon, or UTC")
WANTS_TICK = ("resume", ARM, *HAND_ACTIONS, *TAKES_BACK, SET_TIME)
NEEDS_KNIFE = (ARM, "cut")
# Only ever the safe way; what a venue may leave to anybody.
OPEN: tuple[Action, ...] = ("stop", "pause")


def status_page(machine: str, facts: PanelFacts, message: str = "", *, stop_is_open: bool = False) -> str:
    """How the machine is, what was just done, and whether anybody may hold it still."""
    lines = "".join(f"<dt>{escape(name)}</dt><dd>{escape(value)}</dd>" for name, value in facts.lines)
    found = "".join(f"<dt>{escape(word)}</dt><dd>{escape(asks)}</dd>" for word, asks in facts.conditions)
    bar = ""
    if facts.percent_of_turn is not None:
        percent = f"{facts.percent_of_turn:.1f}"
        label = escape(_("Part of the turn on the paper"))
        bar = f'<progress max="100" value="{percent}" aria-label="{label}">{decimal(percent)} %</progress>'
    conditions = f"<dl>{found}</dl>" if found else f"<p>{_('No condition: nothing is wrong with the machine.')}</p>"
    again = f'<p><a href="/">{_("Look again")}</a></p>'  # no page that renews itself under the hands of a slow reader
    stops = "".join(_section_for_anybody(action, facts) for action in OPEN) if stop_is_open else ""
    shown = f'<div role="status">{bar}<dl>{lines}</dl></div><section><h2>{_("Conditions")}</h2>{conditions}</section>'
    body = f"{again}{_said(message)}{stops}{shown}"
    return _page(_named(machine, facts.stands), body, _where(facts.stands))


def enter_page(message: str, *, pin_set: bool) -> str:
    """Asks for the PIN."""
    if not pin_set:
        said = _("No PIN was set for this node: enrol it again, or use dayroll-node at the board.")
        return _page(_("No PIN"), f"<p>{said}</p>")
    form = (
        f'<form method="post" action="/enter"><label>{_("PIN of this node")}'
        ' <input type="password" name="pin" inputmode="numeric" autocomplete="off" required></label>'
        f"<button>{_('Enter')}</button></form>"
    )
    return _page(_("Enter the PIN"), _said(message) + form)


def actions_page(facts: PanelFacts, form_token: str, message: str) -> str:
    """What a person may do, each with its cautions beside it: the one thing that it waits for, what holds it still, for
    as long as it stands the way back from what was said last of a part, and all else folded."""
    how = _("The machine: {how}.").format(how=_(holds.AT_MACHINE[facts.hold]))
    standing = f"<p>{escape(how)}</p>"
    first, shown = next_step(facts), [action for action in LABELS if facts.has_knife or action not in NEEDS_KNIFE]
    problems = {action: why_not(action, facts) for action in shown}
    halting = [action for action in OPEN if not problems[action]]
    back = facts.mistakes[:1] if facts.hold else ()
    rest = [action for action in shown if action not in (*halting, *back, first.action)]
    can, cannot = ([one for one in rest if bool(problems[one]) == is_refused] for is_refused in (False, True))
    leave = f"<button>{escape(_('Leave'))}</button>"
    parts = (
        _next(first, facts, form_token),
        _sections(halting, facts, form_token),
        _sections(back, facts, form_token),
        _folded(_("All else that can be done now"), _sections(can, facts, form_token)),
        _folded(_("What cannot be done now, and why"), _sections(cannot, facts, form_token)),
        f"<section>{_form('/leave', form_token, leave)}</section>",
    )
    under = _where(facts.stands) if facts.stands is None else f"{facts.stands.machine}. {_where(facts.stands)}"
    return _page(_("What to do"), f"{_said(message)}{standing}{''.join(parts)}", under)


def _next(step: NextStep, facts: PanelFacts, form_token: str) -> str:
    """What comes next, with its button."""
    if step.action is None:
        return f'<div class="next"><p>{escape(step.look)}</p></div>'
    after = f"<p>{escape(step.after)}</p>" if step.after else ""
    offered = _section(step.action, facts, form_token)
    return f'<div class="next"><p><strong>{_("Next.")}</strong> {escape(step.look)}</p>{offered}{after}</div>'


def _sections(actions: Sequence[PanelAction], facts: PanelFacts, form_token: str) -> str:
    return "".join(_section(action, facts, form_token) for action in actions)


def _folded(summary: str, sections: str) -> str:
    return f"<details><summary>{summary}</summary>{sections}</details>" if sections else ""


def why_not(action: PanelAction, facts: PanelFacts) -> str:
    """Why an action cannot be done now; empty if it can."""
    if action in HAND_ACTIONS:
        return facts.hand_problems[action]
    if action == SET_TIME:
        return facts.time_problem
    if action == CALL:
        return ""
    if action in TAKES_BACK:
        return "" if action in facts.mistakes else _(NOBODY)
    if action != ARM:
        return operator_actions.why_not(facts.hold, action)
    if facts.hold not in ("", holds.PAUSED):
        return _("resume or pause first; hands may be in the machine")
    if facts.knife_armed and facts.hold:
        return _("it is armed; if it was paused just now, it is still coming to rest: look again")
    return _("it is armed") if facts.knife_armed else ""


def _section(action: PanelAction, facts: PanelFacts, form_token: str) -> str:
    """One action, for whoever gave the PIN."""
    looked = BLANK if action == "place-set" else BEFORE if action in TAKES_BACK else LOOKED
    tick = _tick(looked) if action in WANTS_TICK else ""
    return _offered(action, why_not(action, facts), "/act", form_token, _fields(action, facts) + tick)


def _section_for_anybody(action: Action, facts: PanelFacts) -> str:
    return _offered(action, operator_actions.why_not_anybody(facts.hold, action), "/halt", "", "")


def _offered(action: PanelAction, problem: str, path: str, form_token: str, fields: str) -> str:
    """An action with its cautions, and its button where it can be done."""
    cautions = "".join(f'<p class="caution">{escape(_(text))}</p>' for text in BESIDE[action])
    if problem:
        what = f'<p class="no">{escape(_("Not now: {why}.").format(why=problem))}</p>'
    else:
        hidden = f'<input type="hidden" name="action" value="{action}">'
        what = _form(path, form_token, f"{hidden}{fields}<button>{escape(_(LABELS[action]))}</button>")
    return f"<section><h2>{escape(_(LABELS[action]))}</h2>{cautions}{what}</section>"


def _tick(text: str) -> str:
    return f'<label><input type="checkbox" name="looked" value="yes" required> {escape(_(text))}</label>'


def _fields(action: PanelAction, facts: PanelFacts) -> str:
    """What else an action wants to know."""
    if action == "feed":
        least, most = prints.LEAST_FEED_MM, prints.MOST_FEED_MM
        return _field(_("Length in millimetres"), "length_mm", "number", job.FEED_MM, f'min="{least}" max="{most}"')
    if action == "place-set":
        label = _("Blank paper that was fed on by hand since it stopped, in millimetres")
        limits = f'min="0" max="{position_recovery.MOST_FED_MM:g}"'
        return f"<p>{escape(facts.paper_place)}.</p>" + _field(label, "length_mm", "number", 0.0, limits)
    if action == CALL:
        return f"<p>{escape(_('The server: {how}.').format(how=facts.server))}</p>"
    if action == "test-pattern":
        options = "".join(f'<option value="{name}">{escape(label)}</option>' for name, label in facts.patterns.items())
        return f'<label>{_("Which")} <select name="pattern" required>{options}</select></label>'
    if action == SET_TIME:
        least, most = manual_time.LEAST_ERROR_S, manual_time.MOST_ERROR_S
        return (
            _field(_("Local date and time now"), "time", "datetime-local", "", 'step="1"')
            + _field(
                _(ZONE_LABEL),
                "zone",
                "text",
                _zone(facts),
                'autocomplete="off"',
            )
            + _field(
                _("How wrong it may be, in seconds"),
                "within_s",
                "number",
                manual_time.USUAL_ERROR_S,
                f'min="{least}" max="{most}"',
            )
        )
    return ""


def _zone(facts: PanelFacts) -> str:
    """Of the venue, where the board knows it."""
    return "" if facts.stands is None or clock_named(facts.stands.zone) is None else facts.stands.zone


def _field(label: str, name: str, kind: str, value: object, more: str) -> str:
    step = ' step="any"' if kind == "number" else ""
    shown = f"{value:g}" if isinstance(value, float) else escape(str(value))
    return f'<label>{escape(label)} <input type="{kind}" name="{name}" value="{shown}"{step} {more} required></label>'


def _form(path: str, form_token: str, inside: str) -> str:
    token = f'<input type="hidden" name="form_token" value="{escape(form_token)}">'
    return f'<form method="post" action="{path}">{token}{inside}</form>'


def _said(message: str) -> str:
    return f'<p class="said" role="alert">{escape(message)}</p>' if message else ""


def _named(machine: str, stands: Whereabouts | None) -> str:
    """What people call it; before a server has said so, its id."""
    return _("Machine {machine}").format(machine=machine) if stands is None else stands.machine


def _where(stands: Whereabouts | None) -> str:
    """Where it stands, and by which clock times are said."""
    if stands is None:
        return ""
    if clock_named(stands.zone) is None:
        return _("At {venue}.").format(venue=stands.venue)
    return _("At {venue}; times are those of {zone}.").format(venue=stands.venue, zone=stands.zone)


def _page(title: str, body: str, under: str = "") -> str:
    return Template((HERE / "page.html").read_text()).substitute(
        code=spoken(),
        title=escape(title),
        how=escape(_("How it is")),
        what=escape(_("What to do")),
        language=escape(_("Language")),
        languages=_languages(),
        under=f"<p>{escape(under)}</p>" if under else "",
        body=body,
        always=escape(_(ALWAYS_HOLDS)),
    )


def _languages() -> str:
    """To choose another; a choice leads to how it is."""
    current = {spoken(): ' aria-current="true"'}
    return " ".join(
        f'<a href="/?language={code}" lang="{code}" hreflang="{code}"{current.get(code, "")}>{escape(name)}</a>'
        for code, name in LANGUAGES.items()
    )


def style() -> str:
    """The style sheet."""
    return (HERE / "panel.css").read_text()
