"""The season file and what it resolves to."""
