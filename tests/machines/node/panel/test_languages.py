"""The panel in another language: as the browser asks for it, or as somebody chose; and no English left over."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from html import unescape
from pathlib import Path

import pytest
import urllib3

from machines.chance import SYSTEM
from machines.errors import InputError
from machines.model.profile import CarriageHead
from machines.node.clock.server_time import Estimate
from machines.node.panel.pages import actions_page, enter_page, status_page
from machines.node.panel.panel import Panel
from machines.node.panel.panel_state import gather
from machines.node.panel.pin import LockedOut, hashed
from machines.node.panel.serving import serving
from machines.node.store import identity, operator_actions
from machines.node.store.journal import change_state
from machines.node.sync import reachability
from machines.operator.conditions import GLOSS
from machines.operator.language import speaking
from machines.protocol.journal_entries import Action
from machines.protocol.messages import Whereabouts
from tests.left_over import left_over
from tests.machines.node.panel.test_serving import PIN, Browser
from tests.machines.node.relay import carriage_profile
from tests.machines.node.rig import HandClock, Rig, make_studio

PORTUGUESE = {"Accept-Language": "pt-PT,pt;q=0.9"}


@pytest.fixture
def node(tmp_path: Path) -> Rig:
    clock = HandClock()
    head = CarriageHead(nozzles=12, passes=2, drop_pl=1e6, cartridge_ml=5.0)
    studio = make_studio(clock, profile=carriage_profile(head=head))
    studio.stands = Whereabouts(machine="Lisboa 7", venue="Sala dos Azulejos", zone="Europe/Lisbon")
    made = Rig(tmp_path, studio, clock)
    made.fetch()
    made.run_columns(30)
    with made.journal.transaction() as db:
        identity.keep_pin(db, hashed(PIN, SYSTEM))
    return made


@pytest.fixture
def address(node: Rig) -> Iterator[str]:
    panel = Panel(node.journal, node.clock, lambda: Estimate(now=node.clock.at, error_s=0.1), SYSTEM)
    with serving(panel, ("127.0.0.1", 0)) as port:
        yield f"http://127.0.0.1:{port}"


def pages_of(node: Rig, estimate: Estimate | None) -> list[str]:
    facts = gather(node.journal, estimate)
    made = [status_page("lisboa-7", facts, stop_is_open=True), actions_page(facts, "token", "")]
    return [unescape(page) for page in made]


def held_by(node: Rig, action: Action) -> None:
    with node.journal.transaction() as db:
        operator_actions.act(db, action)


@pytest.mark.parametrize("action", ["", "pause", "park", "stop"])
def test_nothing_of_english_is_left_over(node: Rig, action: Action) -> None:
    if action:
        held_by(node, action)
    sure = Estimate(now=node.clock.at, error_s=0.1)
    doubted = Estimate(now=node.clock.at, error_s=70.0, by_hand=True)
    with speaking("pt"):
        for estimate in (None, sure, doubted):
            for page in pages_of(node, estimate):
                assert left_over(page) == []
        assert left_over(enter_page("", pin_set=True)) == left_over(enter_page("", pin_set=False)) == []


def test_nor_is_it_of_what_the_machine_says(node: Rig) -> None:
    with node.journal.transaction() as db:
        change_state(db, conditions=" ".join(f"{word}-error" for word in GLOSS), hold="unplanned-stop", blade_cuts=5000)
    with speaking("pt"):
        for page in pages_of(node, Estimate(now=node.clock.at, error_s=0.1)):
            for word in GLOSS:  # the trade's keywords are no English
                page = page.replace(f"{word}-error", "")
            assert left_over(page) == []


def test_nor_is_it_of_why_the_server_is_not_reached(node: Rig) -> None:
    now = reachability.Moment(boot="", elapsed_s=100.0, at=None)
    for kind in reachability.FAILURE_WORDS:
        reach = reachability.Reach(since=now, kind=kind, again=now)
        with speaking("pt"):
            said = reachability.standing(reach, now, datetime(2026, 9, 21, tzinfo=UTC))
            assert left_over(f"<p>{said.in_words()}</p>") == []


def test_nor_is_it_of_what_is_refused(node: Rig) -> None:
    panel = Panel(node.journal, node.clock, lambda: Estimate(now=node.clock.at, error_s=0.1), SYSTEM)
    with speaking("pt"):
        assert left_over(f"<p>{LockedOut(600.0)}</p>") == []
        for action, form in (
            ("feed", {"looked": "yes", "length_mm": "50"}),
            ("feed", {"looked": "yes", "length_mm": "much"}),
            ("resume", {}),
            ("resume", {"looked": "yes"}),
            ("roll-changed", {}),
            ("roll-not-changed", {"looked": "yes"}),
            ("fly", {}),
            ("set-time", {"looked": "yes"}),
        ):
            with pytest.raises(InputError) as refused:
                panel.act(action, form)
            assert left_over(f"<p>{refused.value.said}</p>") == [], action


def test_it_speaks_as_the_browser_asks(address: str) -> None:
    pool = urllib3.PoolManager(retries=False)
    for headers, code in (({}, "en"), (PORTUGUESE, "pt"), ({"Accept-Language": "de"}, "en")):
        page = pool.request("GET", address + "/", headers=headers).data.decode()
        assert f'<html lang="{code}">' in page
    page = unescape(pool.request("GET", address + "/", headers=PORTUGUESE).data.decode())
    assert "Em Sala dos Azulejos; as horas são as de Europe/Lisbon." in page
    assert "com erro até 0,1 s" in page and "UTC+1" in page


def test_a_language_is_chosen_by_a_link_and_kept(address: str) -> None:
    pool = urllib3.PoolManager(retries=False)
    answer = pool.request("GET", address + "/?language=pt")
    assert '<html lang="pt">' in answer.data.decode()
    kept = answer.headers["Set-Cookie"]
    assert kept.startswith("panel-language=pt; Max-Age=") and "HttpOnly; SameSite=Strict" in kept
    page = pool.request("GET", address + "/do", headers={"Cookie": "panel-language=pt"}).data.decode()
    assert "Introduza o PIN" in page
    assert "Set-Cookie" not in pool.request("GET", address + "/?language=de").headers


def test_what_is_done_is_said_in_it_too(address: str) -> None:
    browser = Browser(address)
    browser.enter()
    browser.cookie += "; panel-language=pt"
    said = unescape(browser.act("pause").data.decode())
    assert "Feito: Pausar." in said
    assert "A seguir." in said and "Retomar" in said
