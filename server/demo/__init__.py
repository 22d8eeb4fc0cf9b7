"""The demonstration: a day and more of three machines in compressed time, with real processes and real outages.

__main__.py      the command
scenario.py      who prints what where, and what goes wrong when
processes.py     starting, killing and asking server and nodes
story.py         the run of it, told as it goes
station_day.py   what a day of a station has left, read from the outside
judging/         what must hold of any paper and any log; fault runs are judged by it, too
acceptance.py    what was promised, measured
report.py        report.json, the papers as PNG, the words at the end
"""
