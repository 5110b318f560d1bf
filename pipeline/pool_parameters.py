"""Table parameters of a dataset: an evening that was measured in several folders gives one reading of its table."""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd


def one_reading_an_evening(
    parameters: pd.DataFrame, shots: pd.DataFrame, measured_at: Mapping[str, str]
) -> tuple[pd.DataFrame, dict[str, str]]:
    """The rows of one session an evening, and by session whose rows are left out, what to say of it.

    The session is the one with most of the evening's shots; of equal ones the one measured last.

    parameters  : FINGERPRINT rows with ``session``
    shots       : pooled shots with ``session`` and ``filmed_with``
    measured_at : by session, ISO 8601 in UTC; '' where it isn't known
    """
    if parameters.empty:
        return parameters, {}
    session = parameters["session"].astype(str)
    evening = dict(zip(shots["session"].astype(str), shots["filmed_with"].astype(str), strict=True))
    count = shots["session"].astype(str).value_counts()
    standing = {name: (int(count[name]), measured_at.get(name, "")) for name in session.unique() if name in evening}
    reads: dict[str, str] = {}
    for name, own in standing.items():
        best = reads.setdefault(evening[name], name)
        if own > standing[best]:
            reads[evening[name]] = name
    said: dict[str, str] = {}
    for name in session.unique():
        if name not in evening:
            said[name] = f"{name}: its table parameters are left out, as its shots count in other sessions."
        elif (best := reads[evening[name]]) != name:
            why = "has more of its shots" if standing[best][0] > standing[name][0] else "was measured later"
            why = why if standing[best] != standing[name] else "was pooled first"
            said[name] = (f"{name}: its table parameters are left out, so that an evening counts once: {best} is of "
                          f"the same evening and {why}.")
    return parameters[~session.isin(list(said))].reset_index(drop=True), said
