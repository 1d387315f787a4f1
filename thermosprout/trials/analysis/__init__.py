"""What the counts of a trial show, and how surely."""
