"""Roles, keys of the studio, credentials of the nodes."""
