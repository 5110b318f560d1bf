"""Everything this package raises on purpose.

::

    ReboundryError
     +-- SettingsError        session.toml, takes.csv or a command line that cannot be used (exit status 2)
     +-- ClipError            a file that holds no picture we can read
     +-- CalibrationError     a table that cannot be found, or a fit too poor to go on with
     +-- NoShotError          a clip in which nothing was struck
     +-- SchemaError          a table of rows without the columns it should have (a fault of ours, or an edited file)

Each message is one line: what was found, what was needed, what to do. A poor shot is data, not an exception.
"""

from __future__ import annotations

import errno

_FULL = (errno.ENOSPC, getattr(errno, "EDQUOT", errno.ENOSPC))


def disk_words(error: OSError) -> str:
    """What is wrong with a file or folder, and what to do; without its name."""
    what = error.strerror or " ".join(str(error).split())
    if error.errno in _FULL:
        return f"{what}; free some space there, then run it again."
    if isinstance(error, PermissionError):
        return f"{what}; close it in other programs or check its permissions, then run it again."
    return f"{what}; check the disk and the file's permissions."


class ReboundryError(Exception):
    """Base of all our errors; the command line prints its one line and no traceback."""


class SettingsError(ReboundryError):
    """Settings, a take sheet or an argument that cannot be used."""


class ClipError(ReboundryError):
    """A clip or picture that cannot be read."""


class CalibrationError(ReboundryError):
    """The table was not found, or the fit is too poor to measure with."""


class NoShotError(ReboundryError):
    """Nothing was struck in the clip."""


class SchemaError(ReboundryError):
    """Rows without the columns, types or order they should have."""
