"""From soil temperature to emergence."""
