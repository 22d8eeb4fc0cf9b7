"""The demonstration: a day and more of three machines in compressed time, with real processes and real outages.

__main__.py   the command
scenario.py   who prints what where, and what goes wrong when
processes.py  starting, killing and asking server and nodes
story.py      the run of it, told as it goes
evidence.py   what is on the paper and in the log, read from the outside
acceptance.py what was promised, measured on the evidence
report.py     report.json, the papers as PNG, the words at the end
"""
