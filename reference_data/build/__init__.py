"""Programs that turn the published tables of this folder into the files the package reads."""
