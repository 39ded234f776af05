"""The phone page."""
