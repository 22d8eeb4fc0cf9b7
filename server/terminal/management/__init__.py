"""Commands of `dayroll`."""
