"""Conditions set against each other: counted shots in, effects with honest intervals out."""
