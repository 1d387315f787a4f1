"""Records of a trial: one CSV file, read, checked and added to without loss."""
