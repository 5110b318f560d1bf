"""Decisions, the review page, calibration corrected by hand."""
