"""What can go wrong, in words, and what belongs together of it."""

from __future__ import annotations

# Each can hit once or several times in a scenario.
KINDS = {
    "node-killed": "the board loses power (SIGKILL) and gets it back",
    "node-gone": "the board loses power for long, now and then beyond the end of its run or of all runs",
    "node-stopped": "the board is stopped in order (SIGTERM) and started again",
    "node-rebooted": "the board boots anew: its seconds count from elsewhere, and only the server can tell it the time",
    "rebooted-offline": "the board boots anew while there is no network, and for a while after",
    "server-killed": "the server dies (SIGKILL) and is started again at once",
    "server-gone": "the server dies (SIGKILL) and is away for long, now and then for days",
    "server-restored": "the server's database is put back as a copy of hours ago has it",
    "server-rebuilt": "the server's database is lost, an export of hours ago imported, and its boards enrolled again",
    "server-moved": "the server moves to another port, with a clock that is wrong by another much",
    "network-gone": "no connection comes through, for long",
    "answers-lost": "the server acts, and its answer is lost",
    "connections-cut": "connections break before the request or in the middle of the answer",
    "connections-slow": "every request and answer takes its time",
    "reports-duplicated": "reports arrive twice, at the same time",
    "reports-reordered": "reports arrive late, after newer ones",
    "reports-newer": "reports and statuses have a field that this server does not know, as a newer node's have",
    "portal": "something in between answers everything with a page of its own",
    "redirected": "something in between sends every request elsewhere",
    "errors-broken": "a proxy answers with errors whose bodies are cut, or not what their headers say",
    "answers-endless": "answers begin and never end",
    "answers-dripping": "answers come an octet at a time",
    "sent-away": "a proxy says that the node may come again in a day, or never",
    "clock-step": "the wall clock of the board steps",
    "clock-slewed": "what counts the seconds of the board is made to run faster or slower for a while",
    "card-full": "the board's files cannot grow",
    "machine-jammed": "the paper jams in the middle of an order, and a person clears it",
    "word-in-silence": "the board has no power; a person says what is to become of what is missing, and it comes back",
    "word-in-pause": "a person pauses the machine, another one says what is to become of what is missing; it goes on",
    "word-in-replay": "the board has no power for a while; while that is made good, a person says otherwise",
    "board-again": "the board is enrolled again with a new code, its journal kept",
    "wal-lost": "the newest of the journal is lost with the power; where the board stops, it is enrolled again",
    "journal-damaged": "the journal is damaged while the power is off; a new board takes over with a new code",
    "node-cloned": "a copy of the board's files starts in another board, beside another machine",
}
# Changes of plans are drawn behind the others.
CHANGED = {"plans-change": "the studio or a curator says something else, or once more"}
# These are drawn beside the others, for simulated worlds only; changes of plans are among them.
MORE = {
    "card-read-only": "the board's card can be read only, as a worn one can, and then written again",
    "clock-lost": "the board boots anew, its wall clock kept by a battery, fallen to 1970, or to when it went off",
    "program-older": "the board's journal is as an older program leaves it",
    "program-newer": "the board's journal is as a newer program leaves it, until that one is back",
    "work-newer": "work and answers have fields and kinds that this node does not know, as a newer server's have",
    "answers-falsified": "something in between cuts answers, empties them, or has others in their place",
    "requests-falsified": "something in between cuts what nodes send, empties it, or has other JSON in its place",
    "person-acts": "a person at the machine has it do something by hand, at its panel or by a command",
    **CHANGED,
}
ALL = KINDS | MORE
# These change who the board is, so there is at most one of them in a scenario.
TAKEOVERS = ("board-again", "wal-lost", "journal-damaged", "node-cloned")
DAMAGES = ("cut-in-half", "garbled", "emptied")
# These change what the server remembers; at most one of them, and none with a takeover that leaves two boards.
FORGETS = ("server-restored", "server-rebuilt")
# A person's word is about one outage; at most one of them, so that what it is about is plain.
WORDS = ("word-in-silence", "word-in-pause", "word-in-replay")
# Which rules a word gives.
SAID = ("skip", "replay", "blank")

# How long faults last, hours.
SHORT_H, LONG_H, WORD_H = (0.3, 1.2), (1.5, 4.0), (2.0, 3.0)
LONG = ("server-gone", "network-gone", "node-gone", "server-restored", "server-rebuilt", "rebooted-offline")
# Now and then the server is gone for days.
DAYS_H, DAYS_CHANCE = (24.0, 60.0), 0.1
# By how much a server's clock steps when it moves, seconds.
SERVER_STEPS_S = (0.1, 1.0, 10.0, 60.0, 600.0, 3600.0)


def last_h(kind: str) -> tuple[float, float]:
    """The shortest and the longest time that a fault of a kind lasts, hours."""
    if kind in ("clock-step", "server-moved"):
        return 0.0, 0.0
    if kind in WORDS:
        return WORD_H
    return LONG_H if kind in LONG else SHORT_H
