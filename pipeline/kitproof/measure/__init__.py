"""Measuring: pure functions from samples or records to records."""
