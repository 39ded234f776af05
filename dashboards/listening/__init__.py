"""What is on the air, and the configuration that would take it in."""
