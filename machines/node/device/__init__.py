"""The machine at hand: its driver, its knife, its slip, its supplies, and what it says of itself."""
