"""From a tone to dots: halftones and screens, plates, test patterns, and proofs of what paper will look like."""
