"""What server and node say to each other, and the entries of a node's journal, with upcasts of older forms."""
