"""`make load`: many honest nodes at a server of its own, and whether anything was lost or late."""
