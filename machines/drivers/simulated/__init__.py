"""A machine without a machine: its paper is a folder, and what can go wrong with it is a file."""
