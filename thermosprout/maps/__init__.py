"""Days to emergence on a grid of soil temperature."""
