"""Measured output against exact truth. Run as `python -m tests.bench [FOLDER...]`."""
