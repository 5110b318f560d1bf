"""Why a session's contacts don't tell a quantity of table.csv: counted, in plain words."""

from __future__ import annotations

import pandas as pd

NOTHING_FOLLOWED = "no shot could be followed"


def why_empty(reasons: pd.Series, contacts: str) -> str:
    """The note of a quantity without a value.

    reasons : of each contact, why it is of no use ; contacts : what they are, as "contacts with cushions"
    """
    if not len(reasons):
        return f"not told by these shots: no {contacts} were measured"
    counted = [f"{many} {why}" for why, many in reasons.value_counts().items()]
    return f"not told by these shots: {contacts}: {', '.join(counted)}"
