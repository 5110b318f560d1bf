"""Names that people give to clips and conditions, drawn as they are written."""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from matplotlib.figure import Figure


@contextmanager
def plain_labels(figure: Figure) -> Iterator[None]:
    """While it is saved, a ``$`` in a text is a dollar, not mathematics; a letter that no font has is no warning, nor
    are texts that leave the axes no room.
    """
    from matplotlib import rc_context
    from matplotlib.text import Text

    for text in figure.findobj(Text):
        text.set_parse_math(False)
    with warnings.catch_warnings(), rc_context({"text.parse_math": False}):  # for ticks that are made while drawing
        warnings.filterwarnings("ignore", message="Glyph .* missing", category=UserWarning)
        warnings.filterwarnings("ignore", message="constrained_layout not applied", category=UserWarning)
        yield
