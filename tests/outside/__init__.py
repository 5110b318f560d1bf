"""Checks against values from outside the project; each names its source."""
