"""Verdicts and patterns."""
