"""The HTTP server: what it lets in, for how long, and which threads answer."""
