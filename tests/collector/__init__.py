"""Tests: collector."""
