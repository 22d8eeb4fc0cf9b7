"""A second node beside the project's own, of the standard library alone, as `machines/protocol/NODE.md` has it.

node.py       a pass to the server, and a step of the machine
work.py       which burst is next, and when
settling.py   what becomes of what is missing
strips.py     where they end
clock.py      what time it is, by the server
journal.py    what is kept over a power cut
plate.py      the dots
calls.py      HTTP
"""
