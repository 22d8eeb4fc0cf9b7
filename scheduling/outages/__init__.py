"""An outage while it is open: what is known, what can be chosen, and what was said."""
