"""Parameters learnt from records."""
