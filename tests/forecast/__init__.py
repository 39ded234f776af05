"""Tests: forecast."""
