"""What a machine has left, read from the outside, and what must hold of it: for the demonstration and for fault runs.

gathering.py         the journal, the API
evidence.py          what was gathered
column_outcomes.py   what the log says became of columns
judged_log.py        what must hold of the log
judged_paper.py      what must hold of the paper
judged_knife.py      what must hold of the knife and of what is done by hand
judge.py             all of it
"""
