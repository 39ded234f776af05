"""Tests of `collector.forward`."""
