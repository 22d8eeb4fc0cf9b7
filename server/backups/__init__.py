"""Backups: one folder that holds what a server cannot fold or draw again, made beside a running server, and put back.

In it are the database as it was at one instant, the files that people uploaded, the key of sessions, and what all of it
is. Not in it: the key that signs the log, which lies apart; passwords of the database, the broker and mail, which are
whoever's who runs the server; and, unless they are asked for, plates, which are drawn again.
"""
