"""What a server that is newer than its node would say: fields and kinds that the node does not know."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from random import Random
from typing import Any

from tests.faults.relay import Answer, Call

FIELD, DRAUGHT = "draught_in_the_hall_m_per_s", 0.25
NEW_RULE = {"kind": "as-the-weather-allows"}


@dataclass(frozen=True)
class NewerServer:
    """A server of a later version, for as long as it is that.

    Attributes:
        name: tells its tags from those of other versions.
        rule: whether its runs have a rule that the node does not know.
        word: whether a person's word has one.
    """

    name: str
    rule: bool
    word: bool

    def asked(self, call: Call) -> Call:
        """A call as the server sees it: it does not know tags that others gave."""
        held = call.headers.get("If-None-Match")
        if held is None:
            return call
        headers = {name: value for name, value in call.headers.items() if name != "If-None-Match"}
        if held.endswith(f'-{self.name}"'):
            headers["If-None-Match"] = held.removesuffix(f'-{self.name}"') + '"'
        return replace(call, headers=headers)

    def said(self, call: Call, answer: Answer) -> Answer:
        """An answer as it says it."""
        if "/node/" not in call.path or answer.status not in (200, 304):
            return answer
        headers = [(name, self._tag(value) if name.lower() == "etag" else value) for name, value in answer.headers]
        if answer.status == 304:
            return replace(answer, headers=headers)
        body = json.loads(answer.body)
        more = self._work(body) if "/node/work" in call.path else body | {FIELD: DRAUGHT}
        return replace(answer, headers=headers, body=json.dumps(more).encode())

    def _tag(self, tag: str) -> str:
        return tag.removesuffix('"') + f'-{self.name}"'

    def _work(self, work: dict[str, Any]) -> dict[str, Any]:
        more = work | {FIELD: DRAUGHT, "profile": work["profile"] | {FIELD: DRAUGHT}}
        more["segments"] = [segment | {FIELD: DRAUGHT} for segment in work["segments"]]
        if work["run"] is not None:
            more["run"] = work["run"] | {FIELD: DRAUGHT}
            more["policy"] = NEW_RULE if self.rule else work["policy"] | {FIELD: DRAUGHT}
        if work["override"] is not None and self.word:
            more["override"] = work["override"] | {"rule": NEW_RULE}
        return more


def drawn(dice: Random) -> NewerServer:
    """One of a later version."""
    return NewerServer(f"v{dice.randrange(1000)}", dice.random() < 0.3, dice.random() < 0.5)
