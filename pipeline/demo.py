"""The demo: two evenings of bank shots, rendered, measured as a player would measure them."""

from __future__ import annotations

import shutil
from pathlib import Path

from shared.errors import ReboundryError, SettingsError

EVENINGS = ("eveningA", "eveningB")

ABOUT = (
    "Two evenings in our own scenario: a hall that wonders what new cloth and polished balls do to its bank shots.\n"
    "Evening A was played on worn cloth, evening B on new cloth, with clean and polished balls in turn.\n"
    "This footage is rendered, not filmed: a simulation with known effects, so that the results can be checked."
)


def footage() -> Path:
    """The evenings that the installed package carries, or those of the source tree.

    Raises ReboundryError where neither is there.
    """
    here = Path(__file__).resolve().parent
    for folder in (here / "demo_footage" / "evenings", here.parent / "fixtures" / "evenings"):
        if folder.is_dir():
            return folder
    raise ReboundryError("the demo's footage is missing from this installation; install the package again.")


def copy_evenings(out: Path) -> list[Path]:
    """Copy clips and what is declared into ``out`` as two session folders. What was declared there is left as it is.

    Raises SettingsError where ``out`` can't be written.
    """
    folders = []
    for name in EVENINGS:
        source, target = footage() / name, out / name
        try:
            target.mkdir(parents=True, exist_ok=True)
            for file in sorted([*source.glob("*.mp4"), source / "takes.csv", source / "session.toml"]):
                copy = target / file.name
                cut_short = copy.exists() and copy.suffix == ".mp4" and copy.stat().st_size != file.stat().st_size
                if cut_short or not copy.exists():
                    shutil.copyfile(file, copy)
        except OSError as error:
            words = f"{target}: can't be written to ({error.strerror}); give another folder with --out."
            raise SettingsError(words) from error
        folders.append(target)
    return folders
