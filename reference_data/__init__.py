"""Published figures as typed in, and the programs that build on them."""
