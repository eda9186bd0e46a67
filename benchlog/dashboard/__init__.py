"""Live view of the meters on the bench: what each shows, which agree, which to doubt and how to find out."""
