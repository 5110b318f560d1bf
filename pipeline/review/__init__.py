"""A local page to look through the shots, decide on each, and correct the calibration."""
