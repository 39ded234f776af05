"""Thin: keys, time and size in; the render modules draw."""
