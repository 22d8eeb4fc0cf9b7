"""Numbers for whoever watches the server over weeks, at ``/metrics``: which each says of itself.

What is read from the database is the same whichever process is asked. What a process counts itself, its requests and
appends, is its own: each process that answers is asked by itself, and the counts are added up by whoever asks.
"""
