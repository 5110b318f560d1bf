"""From a clip to measured shots, and from shots to what the conditions did. Imports `shared`, `calibration`."""
