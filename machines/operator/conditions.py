"""What a machine's conditions ask of the person who reads them."""

from __future__ import annotations

RING = "ring the studio"
# What a keyword of RFC 8011 section 5.4.12 or PWG 5100.9 asks of the person who reads it.
GLOSS = {
    "paused": "held: see above what holds it",
    "media-empty": "the paper is at its end: park, change the roll",
    "media-low": "the paper is nearly at its end: have a roll at hand",
    "media-jam": "the paper is jammed: park, power off, clear it",
    "media-path-failure": "the paper cannot move: ring the studio",
    "cover-open": "a cover is open: close it",
    "interlock-open": "a guard is open or the stop control is pressed: look, close, reset it at the machine",
    "marker-supply-empty": "the ink is at its end: park, change the cartridge",
    "marker-supply-low": "the ink is nearly at its end: have a cartridge at hand",
    "separation-cutter-offline": "the knife is disarmed: strips hang on to each other",
    "separation-cutter-jam": "the knife is jammed: power off, ring the studio",
    "separation-cutter-life-almost-over": "the blade is nearly dull: have a new one and the sheet for it at hand",
    "separation-cutter-life-over": "the blade cuts no more: park, power off, change it with cut-resistant gloves on",
    "connecting-to-device": "the machine does not answer: is it switched on and plugged in?",
    "timed-out": "the machine fell silent: is it switched on and plugged in?",
    "other": "ring the studio; a machine that has forgotten where its paper stands can be told, while it is paused",
}


def gloss(keyword: str) -> str:
    """What a keyword asks of a person."""
    for suffix in ("-report", "-warning", "-error"):
        keyword = keyword.removesuffix(suffix)
    return GLOSS.get(keyword, RING)
