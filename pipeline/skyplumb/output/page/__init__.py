"""What the session's page is made of: words, figures, frames, runs and mounts as plain data."""
