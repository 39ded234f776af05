"""Tests of alarms and messages."""
