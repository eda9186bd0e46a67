"""Live view of the meters on the bench: readings, agreement, doubts, and how to settle them."""
