"""When things should happen, and the log of what did."""
