"""The work that the node holds, and what comes next of it."""
