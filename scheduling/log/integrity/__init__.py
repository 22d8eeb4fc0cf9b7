"""That the log is whole, and that nobody has changed it: proofs, statements, archives, rights."""
