"""The page to pass on."""
