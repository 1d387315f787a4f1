"""Replicated side-by-side trials."""
