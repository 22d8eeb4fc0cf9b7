"""Why the machine stood still: what people are told of it, and what follows from its own words, keywords of RFC 8011
section 5.4.12 and PWG 5100.9."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Literal

# What came between, by `machines.recovery.Cause`, to follow "after"; a log may have another of a later version.
CAUSE_WORDS: Mapping[str, str] = {
    "power": "a power cut",
    "clock": "an unsure clock",
    "no-work": "no work at hand",
    "late-start": "a late start",
    "board": "a standstill of its board",
    "machine": "a fault of the machine",
    "service": "a service",
    "jam": "a jam",
    "supplies": "a want of supplies",
    "held": "a recess",
}
# The trade's keywords have none for a clock that cannot be believed, or a machine that refuses and gives no reason.
TIME_IN_DOUBT = NO_REASON_GIVEN = "other-error"
KNIFE_OFFLINE = "separation-cutter-offline-warning"
_SUFFIX = "-error"
# What a person has to bring or to take away before it can go on.
_SUPPLIES = frozenset(
    {
        "media-empty",
        "media-needed",
        "marker-supply-empty",
        "marker-supply-missing",
        "marker-waste-full",
        "input-media-supply-empty",
    }
)


def cause_of(keywords: Iterable[str]) -> Literal["jam", "supplies", "machine"]:
    """The cause of a stop with these conditions; a jam before supplies, as it must be cleared first."""
    names = {keyword.removesuffix(_SUFFIX) for keyword in keywords if stops_printing(keyword)}
    if any("jam" in name.split("-") for name in names):
        return "jam"
    return "supplies" if names & _SUPPLIES else "machine"


def stops_printing(keyword: str) -> bool:
    """Whether a condition keeps the machine from printing. A keyword's suffix says how grave it is (RFC 8011 section
    5.4.12); without a suffix it is taken as an error."""
    return not keyword.endswith(("-report", "-warning")) and keyword != "none"
