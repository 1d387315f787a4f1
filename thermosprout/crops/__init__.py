"""Crops, their cardinal temperatures, seed lots and estimates."""
