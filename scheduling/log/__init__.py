"""The events, the append-only store and the views folded from it: the only part of this floor with a database."""
