"""Fault runs: seeded scenarios with real processes, each judged at the end from the paper, the journal and the log."""
