"""Tests: bench."""
