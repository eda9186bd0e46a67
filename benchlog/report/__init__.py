"""What goes on paper: the test certificate with its pictures."""
