"""Serving the panel by HTTP: who may do what, and what is done. It needs neither a script nor a server."""

from __future__ import annotations

import contextlib
import hmac
import logging
import threading
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from http import HTTPStatus
from http.cookies import CookieError, SimpleCookie
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any
from urllib.parse import parse_qs

from machines.clock import Clock
from machines.errors import InputError
from machines.node import arming, calling, hand_prints, handwork, reach, set_time
from machines.node import held as holding
from machines.node.handwork import HandAction
from machines.node.journal import Journal
from machines.node.panel import pages
from machines.node.panel.facts import HAND_ACTIONS, PanelFacts, gather
from machines.node.panel.pin import Guard, LockedOut, Session
from machines.node.reach import Standing
from machines.node.server_time import Estimate

log = logging.getLogger(__name__)

COOKIE = "panel"
LARGEST_FORM = 4096
PATIENCE_S = 10.0
HEADERS = {
    "Cache-Control": "no-store",
    "Content-Security-Policy": "default-src 'none'; style-src 'self'; form-action 'self'; frame-ancestors 'none';"
    " base-uri 'none'",
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
}


@dataclass
class Panel:
    """What the pages are made from.

    Attributes:
        journal, clock: the node's.
        time: the server's time at this moment.
        boot: names the clock's count of elapsed seconds.
    """

    journal: Journal
    clock: Clock
    time: Callable[[], Estimate | None]
    boot: str = ""
    guard: Guard = field(init=False)

    def __post_init__(self) -> None:
        self.guard = Guard(self.journal, self.clock)

    def status(self) -> str:
        """The page that anybody in the network may read."""
        with self.journal.reading() as db:
            credentials = holding.credentials(db)
        machine = "not enrolled" if credentials is None else credentials.machine
        return pages.status_page(machine, self._facts())

    def actions(self, session: Session, said: str = "") -> str:
        """The page of whoever gave the PIN."""
        return pages.actions_page(self._facts(), session.form_token, said)

    def _facts(self) -> PanelFacts:
        estimate = self.time()
        return gather(self.journal, estimate, self._server(estimate))

    def _server(self, estimate: Estimate | None) -> Standing:
        with self.journal.reading() as db:
            return reach.at_board(db, self.clock, self.boot, estimate)

    def enter(self, said: str = "") -> str:
        """The page that asks for the PIN."""
        with self.journal.reading() as db:
            return pages.enter_page(said, pin_set=holding.pin(db) is not None)

    def act(self, action: str, form: Mapping[str, str]) -> str:
        """Do what a person asked for, with what the form says of it; what to say about it.

        Raises:
            InputError: it cannot be done.
        """
        if action not in pages.LABELS:
            raise InputError("action", "no such action", "choose one of the page")
        if action in pages.WANTS_TICK and form.get("looked") != "yes":
            raise InputError(
                "looked", "it was not ticked that all is clear", "look at the machine, tick, and ask again"
            )
        log.warning("at the panel: %s", action)
        if action in HAND_ACTIONS:
            return f"{pages.LABELS[action]}. {self._by_hand(action, form)}"
        if action == pages.CALL:
            return f"The agent has called. The server: {self._call()}."
        if action == pages.SET_TIME:
            self._set_time(form)
        elif action == pages.ARM:
            arming.ask_to_arm(self.journal)
        else:
            return f"Done: {pages.LABELS[action]}.{arming.act(self.journal, action)}"  # type: ignore[arg-type]
        return f"Done: {pages.LABELS[action]}."

    def _by_hand(self, action: HandAction, form: Mapping[str, str]) -> str:
        length_mm = _number(form, "length_mm") if action in ("feed", "place-set") else handwork.FEED_MM
        pattern = form.get("pattern")
        if pattern is not None and pattern not in hand_prints.LABELS:
            raise InputError("pattern", "no such pattern", "choose one of the page")
        with self.journal.transaction() as db:
            asked = handwork.ask(db, action, length_mm=length_mm, pattern=pattern)  # type: ignore[arg-type]
        return handwork.wait(self.journal, asked)

    def _call(self) -> str:
        with self.journal.transaction() as db:
            calling.ask(db)
        calling.wait(self.journal)
        return self._server(self.time()).in_words()

    def _set_time(self, form: Mapping[str, str]) -> None:
        elapsed_s = self.clock.elapsed()
        if problem := set_time.why_not(self.time()):
            raise InputError("time", f"nobody needs to set it: {problem}", "leave it as it is")
        instant = set_time.instant_of(form.get("time", ""), form.get("zone", "").strip())
        within_s = _number(form, "within_s")
        with self.journal.transaction() as db:
            set_time.say(db, self.boot, elapsed_s, instant, within_s)


def _number(form: Mapping[str, str], name: str) -> float:
    try:
        return float(form.get(name, ""))
    except ValueError:
        raise InputError(name, "not a number", "give a number") from None


def read_address(text: str) -> tuple[str, int]:
    """``ADDRESS:PORT`` in parts.

    Raises:
        InputError: it is not of that form.
    """
    address, _, port = text.rpartition(":")
    if not address or not port.isdecimal() or int(port) > 65535:
        raise InputError("panel", f"{text!r} is no address and port", "give such as 192.168.4.1:8370")
    return address.strip("[]"), int(port)


@contextlib.contextmanager
def serving(panel: Panel, address: tuple[str, int] | None) -> Iterator[int | None]:
    """Serve while the block runs; gives the port. Without an address, nothing is served.

    Raises:
        InputError: nothing can be served there.
    """
    if address is None:
        yield None
        return
    try:
        server = _Server(address, type("Handler", (_Handler,), {"panel": panel}))
    except OSError as error:
        raise InputError("panel", f"{address[0]}:{address[1]}: {error}", "give an address of this board") from error
    threading.Thread(target=server.serve_forever, args=(0.2,), daemon=True).start()
    try:
        yield server.server_port
    finally:
        server.shutdown()
        server.server_close()


class _Server(ThreadingHTTPServer):
    daemon_threads = True
    block_on_close = False

    def handle_error(self, request: Any, client_address: Any) -> None:
        log.info("the panel lost a caller", exc_info=True)


class _Handler(BaseHTTPRequestHandler):
    panel: Panel
    timeout = PATIENCE_S
    server_version, sys_version = "dayroll-node", ""

    def log_message(self, format: str, *arguments: Any) -> None:
        """Not every page that is looked at."""

    def do_GET(self) -> None:
        session = self._session()
        match self.path.partition("?")[0]:
            case "/":
                self._page(HTTPStatus.OK, self.panel.status())
            case "/do" if session is not None:
                self._page(HTTPStatus.OK, self.panel.actions(session))
            case "/do":
                self._page(HTTPStatus.OK, self.panel.enter())
            case "/panel.css":
                self._page(HTTPStatus.OK, pages.style(), "text/css")
            case _:
                self._page(HTTPStatus.NOT_FOUND, "There is no such page.", "text/plain")

    def do_POST(self) -> None:
        form = self._form()
        if form is None:
            self._page(HTTPStatus.BAD_REQUEST, "This form cannot be read.", "text/plain")
        elif self.path == "/enter":
            self._enter(form)
        else:
            self._with_session(form)

    def _enter(self, form: dict[str, str]) -> None:
        try:
            name = self.panel.guard.enter(form.get("pin", ""))
        except LockedOut as locked:
            headers = {"Retry-After": str(round(locked.wait_s) + 1)}
            self._page(HTTPStatus.TOO_MANY_REQUESTS, self.panel.enter(str(locked)), headers=headers)
            return
        if name is None:
            self._page(HTTPStatus.FORBIDDEN, self.panel.enter("That is not the PIN."))
            return
        self._see("/do", f"{COOKIE}={name}; HttpOnly; SameSite=Strict; Path=/")

    def _with_session(self, form: dict[str, str]) -> None:
        """A form counts only with the session's own token, which no other page knows."""
        session = self._session()
        if session is None or not hmac.compare_digest(form.get("form_token", "").encode(), session.form_token.encode()):
            self._page(HTTPStatus.FORBIDDEN, self.panel.enter("Enter the PIN first, or again."))
        elif self.path == "/leave":
            self.panel.guard.leave(self._cookie())
            self._see("/", f"{COOKIE}=; Max-Age=0; HttpOnly; SameSite=Strict; Path=/")
        elif self.path == "/act":
            self._act(session, form)
        else:
            self._page(HTTPStatus.NOT_FOUND, "There is no such page.", "text/plain")

    def _act(self, session: Session, form: dict[str, str]) -> None:
        try:
            said = self.panel.act(form.get("action", ""), form)
        except InputError as error:
            self._page(HTTPStatus.CONFLICT, self.panel.actions(session, str(error)))
            return
        self._page(HTTPStatus.OK, self.panel.actions(session, said))

    def _form(self) -> dict[str, str] | None:
        length = self.headers.get("Content-Length", "")
        if not length.isdecimal() or int(length) > LARGEST_FORM:
            self.close_connection = True
            return None
        try:
            return {name: values[-1] for name, values in parse_qs(self.rfile.read(int(length)).decode("ascii")).items()}
        except ValueError:
            return None

    def _cookie(self) -> str:
        try:
            cookies = SimpleCookie(self.headers.get("Cookie", ""))
        except CookieError:
            return ""
        return cookies[COOKIE].value if COOKIE in cookies else ""

    def _session(self) -> Session | None:
        return self.panel.guard.session(self._cookie())

    def _see(self, path: str, cookie: str) -> None:
        self._page(HTTPStatus.SEE_OTHER, "", headers={"Location": path, "Set-Cookie": cookie})

    def _page(
        self, status: HTTPStatus, text: str, kind: str = "text/html", headers: dict[str, str] | None = None
    ) -> None:
        body = text.encode()
        self.send_response(status)
        sent = {"Content-Type": f"{kind}; charset=utf-8", "Content-Length": str(len(body)), **HEADERS}
        for name, value in (sent | (headers or {})).items():
            self.send_header(name, value)
        self.end_headers()
        self.wfile.write(body)
