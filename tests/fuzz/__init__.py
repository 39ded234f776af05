"""Fuzzing: a short form in the suite, a long one by hand."""
