"""The session: the one place where the rooms meet. Batches in, events and results out."""
