"""What the readings mean and what comes next."""
