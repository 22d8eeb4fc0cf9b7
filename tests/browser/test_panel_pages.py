"""The panel in a real browser on a telephone: readable by everyone, with nothing from outside and no script of its own.

The node is a printer in this process, whose print loop goes on in a thread.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Locator, Page, ViewportSize, expect

from machines.chance import SYSTEM
from machines.model.profile import CarriageHead
from machines.node.clock.server_time import Estimate
from machines.node.panel.panel import Panel
from machines.node.panel.pin import hashed
from machines.node.panel.serving import serving
from machines.node.store import identity
from machines.node.store.identity import Credentials
from machines.node.sync import reachability
from machines.node.sync.errands import Trouble
from machines.operator.labels import LABELS
from tests.browser.test_console_pages import require_accessible
from tests.machines.node.relay import carriage_profile
from tests.machines.node.rig import HandClock, Rig, make_studio

pytestmark = pytest.mark.browser

PIN = "271828"
PHONE: ViewportSize = {"width": 390, "height": 844}
NARROW: ViewportSize = {"width": 320, "height": 640}  # WCAG 2.2, 1.4.10


@dataclass
class Node:
    """A node with its panel.

    Attributes:
        rig: the printer.
        address: of the panel.
        time: that the panel is told.
    """

    rig: Rig
    address: str
    time: list[Estimate | None]


@contextmanager
def printing_on(rig: Rig) -> Iterator[None]:
    """The print loop goes on."""
    over = threading.Event()

    def steps() -> None:
        while not over.wait(0.02):
            rig.printer.step()

    thread = threading.Thread(target=steps)
    thread.start()
    try:
        yield
    finally:
        over.set()
        thread.join()


@pytest.fixture
def node(tmp_path: Path) -> Iterator[Node]:
    """A carriage machine that has printed two hours."""
    with panel_of(printed(tmp_path)) as node:
        yield node


def printed(folder: Path) -> Rig:
    """A carriage machine that has printed two hours, which only a person resumes."""
    clock = HandClock()
    head = CarriageHead(nozzles=12, passes=2, drop_pl=1e5, cartridge_ml=40.0)
    rig = Rig(folder, make_studio(clock, profile=carriage_profile(head=head)), clock, resume_unattended=False)
    rig.fetch()
    rig.run_columns(60)
    return rig


@contextmanager
def panel_of(rig: Rig) -> Iterator[Node]:
    """Its panel, while it goes on."""
    with rig.journal.transaction() as db:
        credentials = Credentials(server="http://host", token="secret-token", machine="left-wall", epoch=1)
        identity.keep_credentials(db, credentials)
        identity.keep_pin(db, hashed(PIN, SYSTEM))
    time: list[Estimate | None] = [Estimate(now=rig.clock.at, error_s=0.1)]
    with ExitStack() as stack:
        stack.enter_context(printing_on(rig))
        port = stack.enter_context(
            serving(Panel(rig.journal, rig.clock, lambda: time[0], SYSTEM, "boot"), ("127.0.0.1", 0))
        )
        yield Node(rig, f"http://127.0.0.1:{port}", time)


@pytest.fixture(params=[PHONE, NARROW], ids=["phone", "narrow"])
def page(browser: Browser, node: Node, request: pytest.FixtureRequest) -> Iterator[Page]:
    with telephone(browser, node, request.param) as page:
        yield page


@contextmanager
def telephone(browser: Browser, node: Node, size: ViewportSize) -> Iterator[Page]:
    """A page on a telephone; nothing may go wrong on it, and it asks for nothing from elsewhere."""
    context = browser.new_context(base_url=node.address, viewport=size, has_touch=True, is_mobile=True)
    page, errors, asked = context.new_page(), [], []
    page.on("pageerror", lambda error: errors.append(str(error)))
    page.on("request", lambda sent: asked.append(sent.url))
    try:
        yield page
    finally:
        context.close()
    assert errors == []
    assert [url for url in asked if not url.startswith(node.address)] == []


def enter(page: Page) -> None:
    page.goto("/do")
    page.get_by_label("PIN of this node").fill(PIN)
    page.get_by_role("button", name="Enter").click()
    expect(page.get_by_role("heading", name="What to do")).to_be_visible()
    page.wait_for_load_state()


def unfold(page: Page) -> None:
    """Open all that is folded, as a thumb does."""
    folded = page.locator("details:not([open]) > summary")
    while folded.count():
        folded.first.click()


def do(page: Page, heading: str) -> None:
    """Tick, if a tick is wanted, and press the button of a section; the page that answers is there with its style."""
    unfold(page)
    there = page.locator("section").filter(has=page.get_by_role("heading", name=heading, exact=True))
    if there.get_by_role("checkbox").count():
        there.get_by_role("checkbox").check()
    with page.expect_event("load"):
        there.get_by_role("button", name=heading).click()


def test_how_it_is_can_be_read_by_everyone(page: Page) -> None:
    page.goto("/")
    require_accessible(page)
    expect(page.get_by_text("Paper left")).to_be_visible()
    expect(page.get_by_text("Ink left")).to_be_visible()
    page.get_by_role("link", name="Português").click()
    expect(page.get_by_text("Papel restante")).to_be_visible()
    require_accessible(page)
    page.get_by_role("link", name="O que fazer").click()
    expect(page.get_by_role("heading", name="Introduza o PIN")).to_be_visible()
    require_accessible(page)
    assert page.evaluate("document.scripts.length") == 0


def test_why_the_server_is_out_of_reach_can_be_read_by_everyone(node: Node, page: Page) -> None:
    said = "an answer from https://studio.invalid/api/v1/: certificate verify failed: certificate is not yet valid"
    trouble = Trouble(kind="certificate-early", detail=said)
    before = reachability.Moment(boot="boot", elapsed_s=node.rig.clock.elapsed() - 3600.0)
    with node.rig.journal.transaction() as db:
        reachability.keep(db, reachability.after_pass(reachability.Reach(), trouble, before, 7200.0, heard=False))
    page.goto("/")
    expect(page.get_by_text("this board's clock may be wrong")).to_be_visible()
    expect(page.get_by_text("(1 h 0 min ago); never heard; tried again in 1 h 0 min")).to_be_visible()
    expect(page.get_by_text(said)).to_be_visible()
    require_accessible(page)
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), "nothing is pushed out of the page"
    enter(page)
    unfold(page)
    there = page.locator("section").filter(has=page.get_by_role("heading", name="Call the server", exact=True))
    expect(there.get_by_text("this board's clock may be wrong")).to_be_visible()
    require_accessible(page)


def test_who_enters_finds_every_action_with_its_cautions(page: Page) -> None:
    page.goto("/do")
    require_accessible(page)
    page.get_by_label("PIN of this node").fill("000000")
    page.get_by_role("button", name="Enter").click()
    expect(page.get_by_text("That is not the PIN.")).to_be_visible()
    require_accessible(page)
    enter(page)
    require_accessible(page)
    expect(page.get_by_text("Next.")).to_be_visible()
    unfold(page)
    for label in LABELS.values():
        expect(page.get_by_role("heading", name=label, exact=True)).to_be_visible()
    require_accessible(page)
    assert page.evaluate("document.scripts.length") == 0


def test_a_thumb_hits_every_button(page: Page) -> None:
    enter(page)
    do(page, "Pause")
    unfold(page)
    for button in page.get_by_role("button").all():
        box = button.bounding_box()
        assert box is not None
        assert box["height"] >= 44
    for name in ("Length in millimetres", "Which"):
        box = page.get_by_label(name).bounding_box()
        assert box is not None
        assert box["height"] >= 40


def test_a_person_feeds_prints_a_pattern_arms_and_cuts(page: Page, node: Node) -> None:
    enter(page)
    do(page, "Pause")
    expect(page.get_by_role("alert")).to_contain_text("Done: Pause.")
    require_accessible(page)
    before = node.rig.journal.state().paper_position
    unfold(page)
    page.get_by_label("Length in millimetres").fill("25")
    do(page, "Feed blank paper")
    expect(page.get_by_role("alert")).to_contain_text("Feed blank paper. Done.")
    assert node.rig.journal.state().paper_position == before + 50
    unfold(page)
    page.get_by_label("Which").select_option("nozzles")
    do(page, "Print a test pattern")
    expect(page.get_by_role("alert")).to_contain_text("a missing step is a dead nozzle")
    assert node.rig.journal.state().paper_position == before + 50 + 48
    do(page, "Arm the knife")
    expect(page.get_by_role("alert")).to_contain_text("Done: Arm the knife.")
    do(page, "Cut here")
    expect(page.get_by_role("alert")).to_contain_text("Cut here. Done.")
    require_accessible(page)
    assert node.rig.paper().cuts["place"].tolist()[-1] == before + 98 - 40


def test_after_a_power_cut_a_person_looks_resumes_and_arms_the_knife(browser: Browser, tmp_path: Path) -> None:
    """As staff find it in the morning, on a telephone: each time the one next step, and nothing else unfolded."""
    rig = printed(tmp_path)
    rig.printer.step()
    rig.crash()
    rig.clock.at += 3600.0
    rig.start()
    rig.printer.step()
    before = rig.journal.state().paper_position
    with panel_of(rig) as node, telephone(browser, node, PHONE) as page:
        page.goto("/")
        expect(page.get_by_text("it stopped unplanned; it waits for a person to look at it and resume")).to_be_visible()
        require_accessible(page)
        enter(page)
        step = page.locator(".next")
        expect(step).to_contain_text("Next. Look at the machine and its paper. If anything is unusual, ring.")
        expect(step).to_contain_text("Then, to have strips cut: Arm the knife.")
        require_accessible(page)
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
        pressed(page, step, "Resume")
        expect(step).to_contain_text("It prints, and its knife is off")
        pressed(page, step, "Arm the knife")
        expect(step).to_contain_text("Nothing has to be done")
        require_accessible(page)
        expect(page.get_by_role("alert")).to_contain_text("Done: Arm the knife.")
        rig.clock.at += 1200.0
        assert rig.journal.news.until(lambda: rig.journal.state().paper_position > before, 10.0, 0.05)
    assert rig.journal.state().knife_armed


def pressed(page: Page, step: Locator, name: str) -> None:
    """Tick and press the button of the one next step."""
    step.get_by_role("checkbox").check()
    with page.expect_event("load"):
        step.get_by_role("button", name=name).click()


def test_without_a_tick_nothing_moves(page: Page, node: Node) -> None:
    enter(page)
    do(page, "Pause")
    before = node.rig.journal.state().paper_position
    unfold(page)
    page.get_by_role("button", name="Feed blank paper").click()
    assert page.locator("input:invalid").count() > 0
    assert page.url.endswith("/act"), "the browser itself keeps the form back"
    assert node.rig.journal.state().paper_position == before


def test_the_time_is_set_where_nobody_else_knows_it(page: Page, node: Node) -> None:
    enter(page)
    unfold(page)
    expect(page.get_by_text("the server has told the time since the board started")).to_be_visible()
    node.time[0] = None
    page.goto("/do")
    require_accessible(page)
    unfold(page)
    page.get_by_label("Local date and time now").fill("2026-09-21T16:13:20")
    page.get_by_label("Its zone").fill("Europe/Lisbon")
    page.get_by_label("How wrong it may be").fill("30")
    do(page, "Set the time")
    expect(page.get_by_role("alert")).to_contain_text("Done: Set the time.")
    assert node.rig.journal.state().time_said
    unfold(page)
    page.get_by_label("Local date and time now").fill("2026-10-25T01:30:00")
    page.get_by_label("Its zone").fill("Europe/Lisbon")
    do(page, "Set the time")
    expect(page.get_by_role("alert")).to_contain_text("comes twice in Europe/Lisbon")
    require_accessible(page)


def foreign(address: str) -> type[BaseHTTPRequestHandler]:
    """A page from elsewhere that sends a form to the panel as soon as it is opened."""

    class Handler(BaseHTTPRequestHandler):
        def log_message(self, format: str, *arguments: object) -> None:
            """Not to the terminal."""

        def do_GET(self) -> None:
            self.send_response(200)
            self.send_header("Content-Type", "text/html")
            self.end_headers()
            form = f'<form method="post" action="{address}/enter"><input name="pin" value="{PIN}"></form>'
            self.wfile.write(f"<body>{form}<script>document.forms[0].submit()</script></body>".encode())

    return Handler


def test_a_page_from_elsewhere_can_neither_try_pins_nor_read_the_panel(browser: Browser, node: Node) -> None:
    context = browser.new_context()
    with ThreadingHTTPServer(("127.0.0.1", 0), foreign(node.address)) as server:
        threading.Thread(target=server.serve_forever, args=(0.1,), daemon=True).start()
        page = context.new_page()
        page.goto(f"http://127.0.0.1:{server.server_port}/")
        expect(page.get_by_text("This form is not from a page of this board.")).to_be_visible()
        server.shutdown()
    by_another_name = node.address.replace("127.0.0.1", "attacker.localhost")  # which a browser takes for this computer
    answer = page.goto(by_another_name)
    assert answer is not None and answer.status == 421
    assert "Machine" not in page.content()
    assert context.cookies() == []
    context.close()
    with node.rig.journal.reading() as db:
        kept = identity.pin(db)
    assert kept is not None and kept.failures == 0


def test_where_stop_is_open_anybody_finds_it_first(browser: Browser, node: Node) -> None:
    rig, context = node.rig, browser.new_context(viewport=NARROW, has_touch=True, is_mobile=True)
    panel = Panel(rig.journal, rig.clock, lambda: node.time[0], SYSTEM, "boot", stop_is_open=True)
    with serving(panel, ("127.0.0.1", 0)) as port:
        page = context.new_page()
        page.goto(f"http://127.0.0.1:{port}/")
        require_accessible(page)
        page.get_by_role("button", name="Stop").click()
        expect(page.get_by_role("alert")).to_contain_text("Done: Stop.")
        require_accessible(page)
        expect(page.get_by_role("button", name="Release the stop")).to_have_count(0)
    context.close()
