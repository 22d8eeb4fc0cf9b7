"""A controller without a machine, at the far end of the serial protocol."""
