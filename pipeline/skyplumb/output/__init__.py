"""Verdicts to files: table, lists, links, summary and page."""
