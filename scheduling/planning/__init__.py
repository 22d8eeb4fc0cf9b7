"""From a cycle to a plan: which columns belong to which segment, and when each is due."""
