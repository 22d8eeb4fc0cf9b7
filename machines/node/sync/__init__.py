"""The network's side of the node: time, work, plates and reports, in passes that may all fail."""
