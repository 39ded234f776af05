"""Sensors, broker and box; `tent` is the simulated shed."""
