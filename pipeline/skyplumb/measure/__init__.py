"""One shot by itself: bytes to star table, in parallel, kept in the store."""
