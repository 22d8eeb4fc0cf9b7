"""A run played thousands of times before it happens: what may go wrong is drawn, and each outage settled by the rule of
the machine."""
