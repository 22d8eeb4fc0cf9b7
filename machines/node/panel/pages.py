"""The pages as text. Whatever comes from outside the program is escaped here, and only here."""

from __future__ import annotations

from html import escape
from pathlib import Path
from string import Template

from machines.node import holds
from machines.node.cautions import ALWAYS, BESIDE
from machines.node.panel.facts import PanelFacts

HERE = Path(__file__).parent
ARM = "arm-knife"
# In the order in which a person needs them. Those that set something in motion want a tick first.
LABELS = {
    "stop": "Stop",
    "release": "Release the stop",
    "pause": "Pause",
    "park": "Park for service",
    "resume": "Resume",
    ARM: "Arm the knife",
    "roll-changed": "Roll was changed",
    "cartridge-changed": "Cartridge was changed",
    "blade-changed": "Blade was changed",
}
WANTS_TICK = ("resume", ARM)


def status_page(machine: str, facts: PanelFacts) -> str:
    """How the machine is."""
    lines = "".join(f"<dt>{escape(name)}</dt><dd>{escape(value)}</dd>" for name, value in facts.lines)
    found = "".join(f"<dt>{escape(word)}</dt><dd>{escape(asks)}</dd>" for word, asks in facts.conditions)
    bar = ""
    if facts.percent_of_turn is not None:
        percent = f"{facts.percent_of_turn:.1f}"
        bar = f'<progress max="100" value="{percent}" aria-label="Part of the turn on the paper">{percent} %</progress>'
    conditions = f"<dl>{found}</dl>" if found else "<p>No condition: nothing is wrong.</p>"
    again = '<p><a href="/">Look again</a></p>'  # no page that renews itself under the hands of a slow reader
    body = f'{again}<div role="status">{bar}<dl>{lines}</dl></div><section><h2>Conditions</h2>{conditions}</section>'
    return _page(f"Machine {machine}", body)


def enter_page(said: str, *, pin_set: bool) -> str:
    """Asks for the PIN."""
    if not pin_set:
        return _page("No PIN", "<p>No PIN was set for this node: enrol it again, or use dayroll-node at the board.</p>")
    form = (
        '<form method="post" action="/enter"><label>PIN of this node'
        ' <input type="password" name="pin" inputmode="numeric" autocomplete="off" required></label>'
        "<button>Enter</button></form>"
    )
    return _page("Enter the PIN", _said(said) + form)


def actions_page(facts: PanelFacts, form_token: str, said: str) -> str:
    """What a person may do, each with its cautions beside it."""
    standing = f"<p>The machine: {escape(holds.SAYS[facts.hold])}.</p>"
    sections = "".join(_section(action, facts, form_token) for action in LABELS if action != ARM or facts.has_knife)
    leave = _form("/leave", form_token, "<button>Leave</button>")
    return _page("What to do", f"{_said(said)}{standing}{sections}<section>{leave}</section>")


def why_not(action: str, facts: PanelFacts) -> str:
    """Why an action cannot be done now; empty if it can."""
    if action != ARM:
        return holds.why_not(facts.hold, action)  # type: ignore[arg-type]
    if facts.hold:
        return "resume first"
    return "it is armed" if facts.knife_armed else ""


def _section(action: str, facts: PanelFacts, form_token: str) -> str:
    cautions = "".join(f'<p class="caution">{escape(text)}</p>' for text in BESIDE[action])
    problem = why_not(action, facts)
    if problem:
        what = f'<p class="no">Not now: {escape(problem)}.</p>'
    else:
        tick = (
            '<label><input type="checkbox" name="looked" value="yes" required> I have looked: all hands are clear,'
            " the guards are closed.</label>"
            if action in WANTS_TICK
            else ""
        )
        hidden = f'<input type="hidden" name="action" value="{action}">'
        what = _form("/act", form_token, f"{hidden}{tick}<button>{LABELS[action]}</button>")
    return f"<section><h2>{LABELS[action]}</h2>{cautions}{what}</section>"


def _form(path: str, form_token: str, inside: str) -> str:
    token = f'<input type="hidden" name="form_token" value="{escape(form_token)}">'
    return f'<form method="post" action="{path}">{token}{inside}</form>'


def _said(said: str) -> str:
    return f'<p class="said" role="alert">{escape(said)}</p>' if said else ""


def _page(title: str, body: str) -> str:
    return Template((HERE / "page.html").read_text()).substitute(
        title=escape(title),
        body=body,
        always=escape(ALWAYS),
    )


def style() -> str:
    """The style sheet."""
    return (HERE / "panel.css").read_text()
