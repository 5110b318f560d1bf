"""Pictures and clips for an audience."""
