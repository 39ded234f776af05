"""Tests: dashboards."""
