"""What people see."""
