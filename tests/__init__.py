"""Tests: all."""
