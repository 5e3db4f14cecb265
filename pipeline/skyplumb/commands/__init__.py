"""The commands: each parses what it is given, calls what does the work, and prints."""
