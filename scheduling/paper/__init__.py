"""What lies on the paper, what will, and proofs of both."""
