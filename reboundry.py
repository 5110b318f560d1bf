"""Measure bank shots in overhead video. Import from here; every other module may change.

>>> import reboundry
>>> shots = reboundry.measure("my-session").shots      # a pandas DataFrame, one row per shot
"""

from __future__ import annotations

from shared.errors import CalibrationError, ClipError, NoShotError, ReboundryError, SchemaError, SettingsError

__all__ = [
    "CalibrationError",
    "ClipError",
    "NoShotError",
    "ReboundryError",
    "SchemaError",
    "SettingsError",
]

if __name__ == "__main__":
    from pipeline.cli import main as _main

    _main()
