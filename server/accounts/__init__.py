"""Roles, keys, accounts of people, credentials of the nodes."""
