"""The sky: where the Sun, the Moon and the stars stand, and when.

Plain functions over arrays and frozen dataclasses; no database and no clock. The main path:

* :mod:`cycles` counts the turns of the sky: instant to turns, and back;
* :mod:`almanac` finds events: rise and set, twilights, transits, seasons, phases, eclipses;
* :mod:`anchors` names one instant by an event or by a civil time, in JSON;
* :mod:`moon` and :mod:`stars` give what the pictures need.

`server.sky_report` shows the sky of a place to people.

Arrays of instants are POSIX seconds (UTC, leap seconds not counted) as float64; single instants are aware
datetimes. Inside the package the running time scale is ``tt``: seconds of Terrestrial Time since J2000.0
(2000-01-01 12:00 TT), because it is uniform. Longitudes are positive to the east.
"""
