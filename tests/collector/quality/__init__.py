"""Tests of flags."""
