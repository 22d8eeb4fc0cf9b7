"""The page that the node serves on its own network, for a telephone beside the machine, with no server in reach."""
