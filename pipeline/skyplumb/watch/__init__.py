"""A folder watched while frames arrive: which files are whole, and when hands are needed."""
