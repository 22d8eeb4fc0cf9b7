"""A venue's hours, and when somebody with hands is there, in its own time."""
