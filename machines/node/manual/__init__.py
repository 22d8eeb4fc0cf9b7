"""What a person has the machine do while it is paused."""
