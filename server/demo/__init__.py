"""The demonstration: a day and more of three machines in compressed time, with real processes and real outages.

__main__.py      the command
scenario.py      who prints what where, and what goes wrong when
furnishing.py    the same as orders to the API
processes.py     starting, killing and asking server and nodes
stage.py         what runs, and where it keeps its things
venue_network.py what passes between a node and the server, until it is gone
story.py         the run of it, told as it goes
acts.py          what goes wrong in it, and what people do
changes.py       what the studio changes meanwhile
station_day.py   what a day of a station has left, read from the outside
judging/         what must hold of any paper and any log; fault runs are judged by it, too
acceptance.py    what was promised, measured
receiver.py, mail_receiver.py   who take webhooks and mail
told.py          whether each outage was told once each way, and once as over
doors.py         what was said a day before of what hangs as doors open, and what then hung
foretold.py      what was told of the paper, before and after, against the ledger
kept_changes.py  the same of a plan that changes
report.py        report.json, the papers as PNG, the words at the end
"""
