"""Tests of the listener, with real clients over real sockets."""
