"""What people ask about a time: what lies on the paper then, and whether an opening can be kept."""
