"""Alarms and messages: what is worth telling, to whom, and how it gets there."""
