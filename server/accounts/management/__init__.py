"""Commands of `dayroll` about keys and people."""
