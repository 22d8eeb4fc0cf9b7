"""From a source and the sky to plates, and where both are kept."""
