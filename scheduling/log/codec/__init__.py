"""Events to bytes and back, and the digests over them."""
