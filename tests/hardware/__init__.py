"""Tests: hardware."""
