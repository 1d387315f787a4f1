"""Decisions: which treatment, which day, how many seeds."""
