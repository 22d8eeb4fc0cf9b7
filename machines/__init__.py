"""What a machine is, how a picture becomes dots on it, and the agent that runs beside it."""
