"""What a person must know before a machine moves or a knife is armed. Common practice, no source."""

from __future__ import annotations

from collections.abc import Mapping

# A heading and its points, for whoever reads them line by line.
UNATTENDED_LINES = (
    "This machine moves and prints by itself; after a power cut it waits for Resume, unless it is set to go on alone.",
    "Keep hair, sleeves and fingers away from rollers and carriage; a guard belongs where visitors can reach.",
    "A stop control that cuts the power to what moves must be within reach. This program is not a safety function.",
    "A head that heats is not left alone without the venue's agreement; paper waste is a fire load, emptied daily.",
    "Only a competent person opens the mains supply. Local codes and the venue's safety officer decide.",
)
UNATTENDED = "".join(f"{'  - ' if number else ''}{line}\n" for number, line in enumerate(UNATTENDED_LINES))

BESIDE: Mapping[str, tuple[str, ...]] = {
    "stop": ("This is not the emergency stop. In danger use the stop control beside the machine: it cuts the power.",),
    "release": ("Look first: nobody's hands are in the machine. It does not move before somebody resumes.",),
    "pause": ("The machine may first end the burst that it is laying. Keep hands away until it stands.",),
    "park": (
        "Wait until it stands, then switch its power off before hands go in. Keep hair and sleeves from rollers.",
        "Only a competent person opens the mains supply.",
    ),
    "resume": (
        "The machine moves at once. Look first: guards closed, nobody's hands, hair or sleeves near it.",
        "Somebody stays until the first columns are laid.",
    ),
    "roll-changed": (
        "Change it with the power off. A full roll takes two people to lift.",
        "Paper waste is a fire load: take it away today.",
        "Which way round, which side up? Pull by hand until it lies straight.",
    ),
    "cartridge-changed": (
        "Change it with the power off. See the maker's data sheet for skin, eyes and ventilation.",
        "Has the cap been taken off the new one?",
    ),
    "blade-changed": (
        "Power off and knife parked before hands go in. Wear cut-resistant gloves.",
        "The spent blade goes into a closed container. Close the guard.",
    ),
    **dict.fromkeys(
        ("roll-not-changed", "cartridge-not-changed", "blade-not-changed"),
        (
            "Only where it was said by mistake: it is counted on as if it had not been said. Nothing moves.",
            "Is it the one from before? If you are not sure, ring. Hands go in only with the power off.",
        ),
    ),
    "feed": (
        "The paper moves at once. Keep hair, sleeves and fingers away from rollers; know where the stop control is.",
        "What is fed stays blank. Paper waste is a fire load: take it away today.",
    ),
    "cut": (
        "The knife moves at once. Nobody's hands near it; the guard over it is in place. Never reach into it.",
        "Take the paper only when the machine stands, at the end that has fallen free.",
    ),
    "test-pattern": (
        "Carriage and rollers move at once. Keep hair, sleeves and fingers away; know where the stop control is.",
        "With those that are cut the knife moves too: nobody's hands near it, the guard in place.",
        "It takes fresh paper; the picture goes on behind it.",
    ),
    "place-set": (
        "Only for a machine that has forgotten where its paper stands. Nothing moves now; it does once it is resumed.",
        "Look at the paper under the head: from there to the roll it must be blank, and never have been drawn back.",
        "If it is not, or you are not sure, feed it on by hand until it is, and measure how much: power off and knife"
        " parked before hands go in. Keep hair, sleeves and fingers away from rollers.",
    ),
    "set-time": (
        "With a time that it believes the machine may move and print at once, if nothing holds it. Look first.",
        "Read it from two clocks that agree. A wrong time leaves a hole in the picture that nobody fills.",
    ),
    "call": (
        "The agent calls at once, instead of when its wait is over; that may take half a minute.",
        "What the server then tells, work or the time, may set the machine going, if nothing holds it. Look first.",
    ),
    "arm-knife": (
        "The knife then cuts by itself, without another warning. Nobody's hands may be near it, now or later.",
        "The guard over the knife must be in place.",
    ),
}
ALWAYS_HOLDS = (
    "This page is not a safety function: guards, interlocks and the stop control beside the machine are."
    " Local codes and the venue's safety officer decide."
)

KNIFE_NOTE = """\
Arming the knife lets it cut by itself, without another warning.
  - Nobody's hands may be near the blade or the rollers now, nor later without the power off and the knife parked.
  - Wear cut-resistant gloves to change a blade; a spent blade goes into a closed container.
  - The guard over the knife must be in place. This program is not a safety function.
  - Local codes and the venue's safety officer decide who may do this.
"""
