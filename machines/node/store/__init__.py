"""What the node keeps on its card, from which everything after a crash follows."""
