"""Strangers at the door: storms, bombs, forged entries and the matrix of roles, played against a real server.

`python -m tests.attack` starts the server that it attacks, on loopback; there is no way to name another.
"""
