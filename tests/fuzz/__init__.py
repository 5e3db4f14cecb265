"""Hostile files: small true ones are damaged in many ways, and the audit must survive each.

Not tests but a search: `python -m tests.fuzz` tries thousands, prints what was lost and keeps
each failure as a file. `tests/audit/test_fuzz.py` holds a fixed few hundred.
"""
