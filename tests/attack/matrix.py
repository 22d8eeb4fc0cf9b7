"""The matrix of roles: every address by everybody and by every method, and every order by every role."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

from tests.attack.remote import Wire
from tests.attack.row import Row
from tests.attack.target import Target, last_position, written_since
from tests.server.api.test_roles import API, COMMANDS_GIVEN
from tests.server.every_page import THINGS

WORST_S = 5.0
# Said here once more, so that an address that is opened by mistake is found.
OPEN = {"node-enrol", "venue-calendar", "api-schema", "api-reference", "problem", "node-contract", "node-vectors"}
# Without a key, but with a secret in the address.
SECRET = {"studio-calendar", "person-calendar"}
NODES = {"node-clock", "node-work", "node-reports"}
NODES_AND_KEYS = {"plate"}
STUDIOS = {
    "keys", "recipients", "recipient-secret", "messages", "studio-calendar-address", "person-calendar-address",
    "person-calendar-wishes",
}  # not even to be read by others  # fmt: skip
METHODS = ("GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS")
PART = re.compile(r"<(\w+):\w+>")
STRANGERS = ("nobody", "garbage", "revoked")
REFUSED_STRANGER = (401, 429)
PAGES_THAT_CHANGE = (
    "/openings/new",
    "/venues/quay/hours",
    "/venues/quay/quiet-hours",
    "/venues/quay/contacts",
    "/told/new",
    "/venues/quay/service-windows/new",
    "/service-windows/rounds/call-off",
    "/runs/spring/decide",
)


def matrix(target: Target) -> list[Row]:
    """All of it."""
    return [_addresses(target), _orders(target), _pages(target)]


def _addresses(target: Target) -> Row:
    row = Row("addresses by bearers and methods", worst_s=WORST_S)
    for name, path in _paths(target):
        methods = _methods(name)
        for who in (*STRANGERS, *_good(target)):
            token = target.keys[who].token if who in target.keys else None
            for method in METHODS:
                # What a good key may order is ordered below; here it could only change something by accident.
                if method in methods and method not in ("GET", "HEAD") and who in _good(target):
                    continue
                answer = Wire(target.port, token, target.studio.patience_s).generic(method, path)
                said = f"{method} {path} by {who}"
                row.answered(answer.status_code, answer.took_s, said)
                if not is_right(name, who, method in methods, answer.status_code):
                    row.wrong.append(f"{said}: {answer.status_code}")
    return row


def is_right(name: str, who: str, is_known: bool, status: int) -> bool:
    """Whether an answer is one that may come."""
    if name in SECRET:
        return status == 404 if is_known else status in (404, 405, 429)
    if name in OPEN:
        return status not in (401, 403) if is_known else status in (401, 403, 405, 429)
    if who in STRANGERS:
        return status in REFUSED_STRANGER
    is_node = who.startswith("node of")
    if name in STUDIOS and who != "studio":
        return status == 403
    if name not in NODES_AND_KEYS and is_node != (name in NODES):
        return status == 403
    return status not in (401, 403) if is_known else status in (403, 405)


def _paths(target: Target) -> Iterator[tuple[str, str]]:
    """Every address, by its name, of things that are there as far as possible."""
    outage = str(target.studio.get("outages").json()["results"][0]["id"])
    plate = target.studio.get("runs/spring/segments?limit=1").json()["results"][0]["plate"]
    prefix = "_".join((target.keys["revoked"].token or "").split("_")[:2])
    for pattern in API.url_patterns:
        if pattern.name is None:
            continue
        kind, _, rest = str(pattern.pattern).partition("/")
        id = THINGS.get(kind, outage)
        yield pattern.name, f"/api/v1/{kind}{'/' if rest else ''}{_filled(rest, id, plate, prefix)}"


def _filled(route: str, id: str, plate: str, prefix: str) -> str:
    of_things = {"id": id, "slug": id, "digest": plate, "prefix": prefix, "int": "1"}
    return PART.sub(lambda part: of_things[part[1]], route)


def _methods(name: str) -> set[str]:
    (view,) = (one.callback.cls for one in API.url_patterns if one.name == name)
    found = {method for method in METHODS if hasattr(view, method.lower()) and method != "OPTIONS"}
    return found | ({"HEAD"} if "GET" in found else set())


def _good(target: Target) -> list[str]:
    return [name for name in target.keys if name not in STRANGERS]


def _orders(target: Target) -> Row:
    """Each order that the tests know, by everybody who may not give it; and by who may, last."""
    row = Row("orders by roles", worst_s=WORST_S)
    everybody: dict[str, Any] = target.keys | {"nobody": target.nobody}
    told = [(which, who) for which in COMMANDS_GIVEN for who in everybody]
    for (name, method), who in sorted(told, key=lambda one: one[1] in COMMANDS_GIVEN[one[0]][1]):
        order, may = COMMANDS_GIVEN[name, method]
        answer: Any = order(everybody[who])
        said = f"{method} {name} by {who}"
        row.answered(answer.status_code, answer.took_s, said)
        refused = (401, 429) if who in STRANGERS else (403, 404)  # 404: what they may not fix is not there either
        if who in may:
            if answer.status_code in (401, 403):
                row.wrong.append(f"{said} was refused: {answer.status_code}")
        elif answer.status_code not in refused:
            row.wrong.append(f"{said}: {answer.status_code}")
    return row


def _pages(target: Target) -> Row:
    """Forms that nobody sent from a page, and names of hosts that are not this server's."""
    row = Row("forms without a session", worst_s=WORST_S)
    before = last_position(target.studio)
    for path in PAGES_THAT_CHANGE:
        for heads in ({}, {"HTTP_COOKIE": "sessionid=none; csrftoken=none"}, {"HTTP_ORIGIN": "https://else.example"}):
            form = "csrfmiddlewaretoken=none&name=x&reason=x"
            answer = target.wire.post(path, form, "application/x-www-form-urlencoded", **heads)
            row.answered(answer.status_code, answer.took_s, path)
            if answer.status_code not in (302, 403, 404):
                row.wrong.append(f"POST {path}: {answer.status_code}")
    answer = target.wire.get("/", HTTP_HOST="elsewhere.example")
    row.answered(answer.status_code, answer.took_s, "a foreign host")
    if answer.status_code != 400:
        row.wrong.append(f"a foreign host was answered {answer.status_code}")
    row.wrong += [
        f"a form without a session changed something: {said}" for said in written_since(target.studio, before)
    ]
    return row
