"""Bodies, queries and cursors that are made to be stumbled over: each is refused, at once and in words."""

from __future__ import annotations

from collections.abc import Iterator

from tests.attack.row import Row
from tests.attack.target import Target, last_position, written_since

WORST_S = 2.0
DEEP = 200_000
JSON = "application/json"
HOSTILE: dict[str, bytes] = {
    "nothing": b"",
    "arrays without an end": b"[" * DEEP,
    "arrays in arrays": b"[" * DEEP + b"]" * DEEP,
    "objects in objects": b'{"id":' * DEEP + b"1" + b"}" * DEEP,
    "a million digits": b'{"id":' + b"9" * 1_000_000 + b"}",
    "a number beyond all": b'{"id":1e999}',
    "no number": b'{"id":NaN}',
    "a name twice": b'{"id":"a","id":"b"}',
    "half a character": b'{"id":"\\ud800"}',
    "nought": b'{"id":"a\\u0000"}',
    "not UTF-8": b'{"id":"\xff"}',
    "UTF-16": '{"id":"a"}'.encode("utf-16"),
    "a text of megabytes": b'{"id":"' + b"a" * 3_900_000 + b'"}',
    "a million empty arrays": b"[" + b"[]," * 999_999 + b"[]]",
    "a list": b"[1,2,3]",
    "a word": b'"venue"',
    "2**63": b'{"id":9223372036854775808}',
    "SQL": b'{"id":"x\'; DROP TABLE log_event; --"}',
    "markup": b'{"id":"<script>alert(1)</script>","name":"{{7*7}}"}',
}
DOORS = ("venues", "profiles", "machines", "sources", "runs", "openings", "service-windows", "run-checks")
QUERIES = (
    "cursor=x",
    "cursor=" + "A" * 5000,
    "cursor=%00",
    "cursor=WyJ4Il0",
    "cursor=9223372036854775808",
    "limit=0",
    "limit=-1",
    "limit=1001",
    "limit=99999999999999999999",
    "limit=1e3",
    "limit=1&limit=2",
    "nothing=1",
    "a%27%20OR%20%271%27%3D%271=1",
)
OF_THEIR_OWN = (
    "runs/spring/state?at=0000-01-01T00:00:00Z",
    "runs/spring/state?at=99999-01-01T00:00:00Z",
    "runs/spring/state?at=yesterday",
    "runs/spring/state",
    "runs/spring/proof.png?part=all",
    "runs/spring/supplies?turn=1e9",
    "machines/wren-1/next?longitude=1e999",
    "machines/wren-1/next?longitude=nan",
    "machines/wren-1/proof.png?at=2026-03-20T14:00:00Z&slip=9",
    "machines/wren-1/forecast?idle_drops=-1&idle_every_s=0",
    "sources/land/proof.png?profile=wren&dead=" + ",".join(["1"] * 5000) + ",x",
    "sources/land/thumbnail.png?cycle=period",
    "sources/land/thumbnail.png?at=9999-12-31T00:00:00Z&cycle=lunar-day",
    "venues/quay/calendar.ics?ahead=P367D",
    "venues/quay/calendar.ics?ahead=-P1D",
    "venues/quay/calendar.ics?sky=" + "sunset," * 2000 + "sunset",
    "venues/quay/calendar.ics?sky=doomsday",
    "venues/quay/service-windows?from=9999-12-31&to=0001-01-01",
    "events?stream=%00",
    "events?kind=" + "x" * 3000 + "&cursor=x",
)


def bodies(target: Target) -> list[Row]:
    """Bodies at every door, and queries at every list."""
    return [_bodies(target), _large(target), _queries(target)]


def _bodies(target: Target) -> Row:
    row = Row("bodies that are no orders", worst_s=WORST_S)
    before = last_position(target.studio)
    for what, body in HOSTILE.items():
        for door in DOORS:
            _refused(row, f"{what} at {door}", *_asked(target.studio, door, body))
        _refused(row, f"{what} at node/reports", *_asked(target.honest, "node/reports", body))
        _refused(row, f"{what} at hours", *_put(target, body))
    for kind in (
        "text/plain",
        "application/xml",
        "multipart/form-data; boundary=x",
        "application/x-www-form-urlencoded",
    ):
        answer = target.studio.post("venues", b'{"id":"a"}', content_type=kind)
        _refused(row, kind, answer.status_code, answer.took_s)
    row.wrong += [f"something was written: {said}" for said in written_since(target.studio, before)]
    return row


def _asked(caller: object, door: str, body: bytes) -> tuple[int, float]:
    answer = caller.post(door, body, content_type=JSON)  # type: ignore[attr-defined]
    return answer.status_code, answer.took_s


def _put(target: Target, body: bytes) -> tuple[int, float]:
    answer = target.studio.other("PUT", "venues/quay/hours", data=body, content_type=JSON, HTTP_IF_MATCH="*")
    return answer.status_code, answer.took_s  # type: ignore[attr-defined]


def _large(target: Target) -> Row:
    """Bodies of megabytes, by whoever shows no key, a wrong one, and a good one."""
    row = Row("bodies of megabytes", worst_s=2 * WORST_S)
    for who in ("garbage", "reader", "studio"):
        for megabytes in (5, 50):
            answer = target.keys[who].post("venues", bytes(megabytes * 1_000_000))
            _refused(row, f"{megabytes} MB by {who}", answer.status_code, answer.took_s)
    for path in ("/livez", "/api/v1/node/enrol", "/sign-in"):
        answer = target.wire.post(path, bytes(20_000_000), "application/octet-stream")
        _refused(row, f"20 MB to {path}", answer.status_code, answer.took_s)
    entries = [{"kind": "node-started", "seq": seq} for seq in range(2, 30_000)]
    answer = target.honest.post("node/reports", {"epoch": 1, "entries": entries})
    _refused(row, "thirty thousand entries", answer.status_code, answer.took_s)
    return row


def _queries(target: Target) -> Row:
    row = Row("queries and cursors", worst_s=WORST_S)
    for path in _queries_of(("venues", "machines", "runs", "sources", "openings", "outages", "notices", "events")):
        answer = target.studio.get(path)
        _refused(row, path[:80], answer.status_code, answer.took_s)
    return row


def _queries_of(lists: tuple[str, ...]) -> Iterator[str]:
    yield from (f"{path}?{query}" for path in lists for query in QUERIES)
    yield from OF_THEIR_OWN


def _refused(row: Row, said: str, status: int, took_s: float) -> None:
    row.answered(status, took_s, said)
    if not 400 <= status < 500 and status not in (0, 500, 502, 504):
        row.wrong.append(f"{said}: {status}")
