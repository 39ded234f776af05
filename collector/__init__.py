"""What was measured, and where it is kept."""
