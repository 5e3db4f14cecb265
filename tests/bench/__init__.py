"""Measures skyplumb against drawn truth, and what a frame costs: `python -m tests.bench`.

Nothing here is a test: it prints tables, with the aim beside each number.
"""
