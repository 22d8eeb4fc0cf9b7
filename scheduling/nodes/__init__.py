"""What a board is told and what it tells."""
