"""A few test frames, judged -> what to turn, what the drive does, how long to expose."""
