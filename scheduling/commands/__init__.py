"""What the studio and the curator can order, checked whole before anything is written."""
