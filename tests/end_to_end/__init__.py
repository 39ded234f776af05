"""Tests: end to end."""
