"""Serving the panel by HTTP: who may do what, and what is done. It needs neither a script nor a server."""

from __future__ import annotations

import contextlib
import hmac
import logging
import socket
import sqlite3
import sys
import threading
from collections.abc import Callable, Iterator, Sequence
from functools import partial
from http import HTTPStatus
from http.cookies import CookieError, SimpleCookie
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any
from urllib.parse import parse_qs

from machines.errors import InputError
from machines.node.panel import pages
from machines.node.panel.callers import is_for_us, is_from_our_page, own_names
from machines.node.panel.panel import Panel
from machines.node.panel.pin import LockedOut, Session
from machines.node.waiting import supervised
from machines.operator.language import LANGUAGES, _, marked, speaking, wanted
from machines.protocol.panel_address import host_of

log = logging.getLogger(__name__)

NOT_NOTED = marked(
    "Nothing was noted, as the board's card cannot be written: the machine goes on as it was. If it must stand still,"
    " use the stop control beside it, which cuts the power"
)

COOKIE, KNOWN, LANGUAGE = "panel", "panel-known", "panel-language"
KNOWN_S = 15_552_000
LARGEST_FORM = 4096
PATIENCE_S = 10.0
HEADERS = {
    "Cache-Control": "no-store",
    "Content-Security-Policy": "default-src 'none'; style-src 'self'; form-action 'self'; frame-ancestors 'none';"
    " base-uri 'none'",
    "Referrer-Policy": "same-origin",  # with none at all, a browser would not say either where a form comes from
    "X-Content-Type-Options": "nosniff",
}


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
def serving(panel: Panel, address: tuple[str, int] | None, called: str | None = None) -> Iterator[int | None]:
    """Serve while the block runs; gives the port. Without an address, nothing is served. People may call it otherwise.

    Raises:
        InputError: nothing can be served there.
    """
    if address is None:
        yield None
        return
    try:
        names = own_names(address[0]) | ({host_of(called)} if called else set())
        server = PanelServer(address, type("Handler", (_Handler,), {"panel": panel, "names": names}))
    except OSError as error:
        raise InputError("panel", f"{address[0]}:{address[1]}: {error}", "give an address of this board") from error
    over = threading.Event()
    waiting = supervised.begin("the panel", partial(_serve, server, over.is_set), over.is_set)
    try:
        yield server.server_port
    finally:
        over.set()
        server.socket.shutdown(socket.SHUT_RDWR)  # who waits for a caller waits no longer
        waiting.join()
        server.server_close()


def _serve(server: ThreadingHTTPServer, over: Callable[[], bool]) -> None:
    """One caller after another. It sleeps in between: a library's own loop looks every now and then whether to end."""
    while not over():
        server.handle_request()


def _done(ask: Callable[[], str]) -> tuple[HTTPStatus, str]:
    """What came of what a person asked for, and what to say about it."""
    try:
        return HTTPStatus.OK, ask()
    except InputError as error:
        return HTTPStatus.CONFLICT, error.said
    except (sqlite3.Error, OSError) as error:
        return HTTPStatus.SERVICE_UNAVAILABLE, f"{_(NOT_NOTED)} ({error})"


class PanelServer(ThreadingHTTPServer):
    """A thread for each caller; none of them keeps the agent from ending."""

    daemon_threads = True
    block_on_close = False

    def handle_error(self, request: Any, client_address: Any) -> None:
        """A caller who is gone is no error of ours."""
        error = sys.exception()
        log.info("the panel lost a caller: %s", error, exc_info=not isinstance(error, OSError))


class _Handler(BaseHTTPRequestHandler):
    panel: Panel
    names: frozenset[str]
    timeout = PATIENCE_S
    server_version, sys_version = "dayroll-node", ""

    def log_message(self, format: str, *arguments: Any) -> None:
        """Not every page that is looked at."""

    def parse_request(self) -> bool:
        """Whether the request is to be answered; if not, it was refused."""
        if not super().parse_request():
            return False
        if is_for_us(self.headers, self.names):
            return True
        said = _("Open this page by the address of the board, as it was given to you, not by another name.")
        self._page(HTTPStatus.MISDIRECTED_REQUEST, said, "text/plain")
        return False

    def send_error(self, code: int, message: str | None = None, explain: str | None = None) -> None:
        """What cannot be read, or asks for what no page does, is answered as everything else."""
        self.close_connection = True
        self.request_version = self.protocol_version  # with none, there would be no head to the answer
        self._page(HTTPStatus(code), _("This cannot be answered."), "text/plain")

    def do_GET(self) -> None:
        with speaking(self._language()):
            self._get()

    def _get(self) -> None:
        session = self._session()
        match self.path.partition("?")[0]:
            case "/":
                chosen = self._chosen()
                kept = [] if chosen is None else [f"{LANGUAGE}={chosen}; Max-Age={KNOWN_S}"]
                self._page(HTTPStatus.OK, self.panel.status(), cookies=kept)
            case "/do" if session is not None:
                self._page(HTTPStatus.OK, self.panel.actions(session))
            case "/do":
                self._page(HTTPStatus.OK, self.panel.enter())
            case "/panel.css":
                self._page(HTTPStatus.OK, pages.style(), "text/css")
            case _:
                self._page(HTTPStatus.NOT_FOUND, _("There is no such page."), "text/plain")

    def do_POST(self) -> None:
        with speaking(self._language()):
            self._post()

    def _post(self) -> None:
        form = self._form()
        if form is None:
            self._page(HTTPStatus.BAD_REQUEST, _("This form cannot be read."), "text/plain")
        elif not is_from_our_page(self.headers):
            self._page(HTTPStatus.FORBIDDEN, _("This form is not from a page of this board."), "text/plain")
        elif self.path == "/enter":
            self._enter(form)
        elif self.path == "/halt":
            self._halt(form)
        else:
            self._with_session(form)

    def _enter(self, form: dict[str, str]) -> None:
        try:
            name = self.panel.guard.enter(form.get("pin", ""), self.client_address[0], self._cookie(KNOWN))
        except LockedOut as locked:
            headers = {"Retry-After": str(round(locked.wait_s) + 1)}
            self._page(HTTPStatus.TOO_MANY_REQUESTS, self.panel.enter(str(locked)), headers=headers)
            return
        except sqlite3.Error as error:
            log.warning("at the panel: no PIN that could be noted from %s: %s", self.client_address[0], error)
            self._page(HTTPStatus.SERVICE_UNAVAILABLE, self.panel.enter(f"{_(NOT_NOTED)} ({error})"))
            return
        if name is None:
            log.warning("at the panel: a wrong PIN from %s", self.client_address[0])
            self._page(HTTPStatus.FORBIDDEN, self.panel.enter(_("That is not the PIN.")))
            return
        log.info("at the panel: the PIN was given from %s", self.client_address[0])
        known = f"{KNOWN}={self.panel.guard.introduced()}; Max-Age={KNOWN_S}"
        self._see("/do", f"{COOKIE}={name}", known)

    def _halt(self, form: dict[str, str]) -> None:
        """Stop or pause for somebody who did not give the PIN, where that is open."""
        asked = [action for action in pages.OPEN if self.panel.stop_is_open and action == form.get("action")]
        if not asked:
            self._page(HTTPStatus.FORBIDDEN, self.panel.enter(_("Enter the PIN first, or again.")))
            return
        status, said = _done(partial(self.panel.halt, asked[0], self.client_address[0]))
        self._page(status, self.panel.status(said))

    def _with_session(self, form: dict[str, str]) -> None:
        """A form counts only with the session's own token, which no other page knows."""
        session = self._session()
        if session is None or not hmac.compare_digest(form.get("form_token", "").encode(), session.form_token.encode()):
            self._page(HTTPStatus.FORBIDDEN, self.panel.enter(_("Enter the PIN first, or again.")))
        elif self.path == "/leave":
            self.panel.guard.leave(self._cookie())
            self._see("/", f"{COOKIE}=; Max-Age=0")
        elif self.path == "/act":
            self._act(session, form)
        else:
            self._page(HTTPStatus.NOT_FOUND, _("There is no such page."), "text/plain")

    def _act(self, session: Session, form: dict[str, str]) -> None:
        status, said = _done(partial(self.panel.act, form.get("action", ""), form))
        self._page(status, self.panel.actions(session, said))

    def _form(self) -> dict[str, str] | None:
        length = self.headers.get("Content-Length", "")
        if not length.isdecimal() or int(length) > LARGEST_FORM:
            self.close_connection = True
            return None
        try:
            return {name: values[-1] for name, values in parse_qs(self.rfile.read(int(length)).decode("ascii")).items()}
        except ValueError:
            return None

    def _chosen(self) -> str | None:
        """The language that the address asks for, if it is one of ours."""
        asked = parse_qs(self.path.partition("?")[2]).get("language", [""])[-1]
        return asked if asked in LANGUAGES else None

    def _language(self) -> str:
        """As somebody chose it on a page, or else as the browser says."""
        kept = self._chosen() or self._cookie(LANGUAGE)
        return kept if kept in LANGUAGES else wanted(self.headers.get("Accept-Language", ""))

    def _cookie(self, name: str = COOKIE) -> str:
        try:
            cookies = SimpleCookie(self.headers.get("Cookie", ""))
        except CookieError:
            return ""
        return cookies[name].value if name in cookies else ""

    def _session(self) -> Session | None:
        return self.panel.guard.session(self._cookie())

    def _see(self, path: str, *cookies: str) -> None:
        self._page(HTTPStatus.SEE_OTHER, "", headers={"Location": path}, cookies=cookies)

    def _page(
        self,
        status: HTTPStatus,
        text: str,
        kind: str = "text/html",
        headers: dict[str, str] | None = None,
        cookies: Sequence[str] = (),
    ) -> None:
        body = text.encode()
        self.send_response(status)
        sent = {"Content-Type": f"{kind}; charset=utf-8", "Content-Length": str(len(body)), **HEADERS}
        for name, value in (sent | (headers or {})).items():
            self.send_header(name, value)
        for cookie in cookies:
            self.send_header("Set-Cookie", f"{cookie}; HttpOnly; SameSite=Strict; Path=/")
        self.end_headers()
        self.wfile.write(body)
