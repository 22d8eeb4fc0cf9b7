"""The sky of a place for people: a table, and pictures of its year."""
