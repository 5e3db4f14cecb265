"""Measures and night notes -> sessions: one clock, one site, every frame's lens, order, copies.

Cameras lose tags: a position or a zone is missing in some frames, a stamp of the satellites is
old, a file lies on the card twice. Here the night is resolved once, before anything is
calibrated; after it nobody asks a single frame for its time, place or lens.
"""
