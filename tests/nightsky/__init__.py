"""A second renderer of nights: cards with known truth from physics alone, to judge skyplumb by.

It is written from published formulas and imports nothing of the program, nor of the demo, whose
star profile, lens law, paths and noise it does not share; `tests/test_nightsky.py` holds that and
checks it against outside values. `python -m tests.nightsky --list` names what it draws.
"""

VERSION = 3
"""Raised whenever the same case and seed would draw another card; benches print it."""
