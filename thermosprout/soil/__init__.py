"""Temperature and water where the seed lies."""
