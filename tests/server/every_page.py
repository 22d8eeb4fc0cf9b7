"""Every address that the server knows, drawn from its urlconf, so that no test of all pages forgets a new one."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime

from django.urls import URLPattern, URLResolver, get_resolver

from machines.protocol.messages import Work
from machines.serialization import unstructure
from scheduling.log.beside_telling import add_messages, keep_matters, keep_recipients
from scheduling.log.models import Matter, Message
from scheduling.telling.amiss import Amiss
from scheduling.telling.recipients import AllRecipients, Recipient, as_said
from server.accounts.message_secrets import message_secret
from server.desk.boards import ACTS
from tests.server.conftest import enrol
from tests.server.studio import SERIES, SERVICE_WINDOW, Caller, HeldClock, printed

# Things that the tests' studio has, by the first word of an address; parts that are named otherwise, by their names.
THINGS = {
    "venues": "quay",
    "profiles": "wren",
    "machines": "wren-1",
    "sources": "land",
    "runs": "spring",
    "openings": "first-night",
    "opening-series": "sundays",
    "service-windows": "rounds",
    "problems": "busy",
    "see-to": "0" * 32,
    "matters": "knife-1",
    "recipients": "desk",
    "told": "desk",
    "people": "1",
}
PARTS = {"number": "1", "prefix": "studio_0", "digest": "0" * 64, "outages": "none"}
PART = re.compile(r"<(?:\w+:)?(\w+)>")
API = "api/v1/"
# Neither a page nor part of one: they are asked by programs, or only take a form.
NO_PAGES = {"live", "ready", "metrics", "sign-out", "test-recipient", "see-to-it"}
PARTS_OF_PAGES = {"overview", "now-fragment"}


@dataclass(frozen=True)
class Address:
    """One that the server knows.

    Attributes:
        name: in the urlconf.
        path: with things of the tests' studio in it.
    """

    name: str
    path: str

    @property
    def is_api(self) -> bool:
        """Whether it is below ``/api/v1/``."""
        return self.path.startswith(f"/{API}")

    @property
    def is_page(self) -> bool:
        """Whether a person opens it by itself."""
        is_whole = self.name == "api-reference" or not (self.is_api or self.path.endswith(".png"))
        return is_whole and self.name not in NO_PAGES | PARTS_OF_PAGES


def every_address(named: Mapping[str, str] = {}) -> list[Address]:  # it is only read
    """All of them, in the urlconf's order.

    Args:
        named: what parts of addresses are, beside what the tests' studio has: ``number`` of a person, ``prefix`` of a
            key, ``digest`` of a plate, ``outages`` for the id of one.
    """
    return [*_filled(PARTS | named)]


def every_page(named: Mapping[str, str] = {}) -> list[Address]:  # it is only read
    """Those that a person opens, by themselves."""
    return [one for one in every_address(named) if one.is_page]


def _filled(named: Mapping[str, str]) -> Iterator[Address]:
    for name, route in _routes(get_resolver(), ""):
        kind = route.removeprefix(API).partition("/")[0]
        of_things = {**dict.fromkeys(("id", "pk", "slug"), (THINGS | named).get(kind, "any")), **_singular(), **named}
        for act in ACTS if "<slug:act>" in route else [""]:
            parts = of_things | {"act": act}
            yield Address(name, "/" + PART.sub(lambda part, parts=parts: parts[part[1]], route))  # type: ignore[misc]


def _singular() -> dict[str, str]:
    """Parts that are named after what they name."""
    return {
        "venue": THINGS["venues"],
        "machine": THINGS["machines"],
        "run": THINGS["runs"],
        "opening": THINGS["openings"],
        "window": THINGS["service-windows"],
        "secret": message_secret(THINGS["see-to"]),
    }


def _routes(resolver: URLResolver, before: str) -> Iterator[tuple[str, str]]:
    for one in resolver.url_patterns:
        route = before + str(one.pattern)
        if isinstance(one, URLResolver):
            yield from _routes(one, route)
        elif isinstance(one, URLPattern) and one.name:
            yield one.name, route


def one_of_everything(furnished: Caller, clock: HeldClock) -> None:
    """A studio in which every address names something: its machine has printed for hours, then somebody paused it."""
    furnished.create("opening-series", SERIES)
    furnished.create("service-windows", SERVICE_WINDOW)
    node = Caller(str(enrol(furnished)["token"]))
    work = Work.from_json(node.get("node/work?horizon=P1D").json())
    laid = [printed(work, seq) for seq in range(1, 4)]
    paused = {"kind": "operator-acted", "seq": 4, "at": work.segments[3].knots[0].isoformat(), "action": "pause"}
    assert node.post("node/reports", {"epoch": 1, "entries": [*laid, paused]}).status_code == 200
    clock.sleep(12 * 3600.0)
    one_of_what_is_told(clock.at)


def one_of_what_is_told(at: datetime) -> None:
    """Somebody is told that a knife is not armed."""
    recipient, matter = THINGS["recipients"], THINGS["matters"]
    desk = Recipient(id=recipient, role="studio", email="desk@quay.example")
    keep_recipients(as_said(AllRecipients(recipients=(desk,))))
    part = unstructure(Amiss(kind="knife", since=at, venue="quay", machine="wren-1"))
    from_then = {"began_at": at, "told_from": at}
    keep_matters([Matter(id=matter, kind="knife", venue="quay", parts={"knife/wren-1": part}, **from_then)], [])
    said = {"what": "knife", "way": "email", "made_at": at, "next_at": at}
    add_messages([Message(id=THINGS["see-to"], matter=matter, recipient=recipient, **said)])
