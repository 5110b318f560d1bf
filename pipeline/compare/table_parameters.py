"""A table's own parameters (table.csv), one value a session, as responses beside the shots' measures."""

from __future__ import annotations

import pandas as pd

PREFIX = "table_parameter_"


def add_table_parameters(shots: pd.DataFrame, parameters: pd.DataFrame) -> pd.DataFrame:
    """Shots with table_parameter_NAME and its _u: the value of the shot's session. Unchanged where there are none.

    parameters : a row a session and parameter: session, parameter, value, value_u (other columns ignored)
    """
    if not {"session", "parameter", "value"} <= set(parameters.columns):
        return shots
    out = shots.copy()
    for name, rows in parameters.groupby("parameter"):
        first = rows.drop_duplicates("session").set_index("session")
        out[f"{PREFIX}{name}"] = pd.to_numeric(shots["session"].map(first["value"]))
        if "value_u" in first:
            out[f"{PREFIX}{name}_u"] = pd.to_numeric(shots["session"].map(first["value_u"]))
    return out
