"""Live view of the meters on the bench: who shows what, who agrees with whom, whom to doubt and how to find out."""
