"""What the server does by itself, every so many seconds."""
