"""What time it is, by the server, on a board whose own clock may know nothing."""
