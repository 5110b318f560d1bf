"""The whole comparison: every response, every pattern and speed, each condition; tables and sentences."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pandas as pd

from pipeline.compare.answers import answer
from pipeline.compare.chosen import chosen_conditions, grouping_columns, read_factors
from pipeline.compare.conditions import Factor, read_factor, texts_of
from pipeline.compare.counting import count_shots, counted_mask, none_told
from pipeline.compare.effects import holm
from pipeline.compare.evenings import evenings_of_several
from pipeline.compare.given_frames import given_contacts, given_parameters, given_shots, with_session
from pipeline.compare.ground import GROUND_COLUMNS, Ground, ground
from pipeline.compare.labels import as_series, joined
from pipeline.compare.repeats import without_repeats
from pipeline.compare.responses import (
    DEFAULT_RESPONSES,
    Response,
    add_impact_roll,
    add_speed_kept,
    check_covariates,
    response,
)
from pipeline.compare.said_once import said_once
from pipeline.compare.settings import CompareSettings
from pipeline.compare.spellings import alike_lines, spelled_once
from pipeline.compare.stratum import StratumResult, analyse, columns_for
from pipeline.compare.table_parameters import changed_together, parameter_names, parameter_rows
from pipeline.compare.untold import told_apart
from shared.errors import SettingsError

_MOST_UNTOLD = 2  # differences of one condition that can't be estimated, named one by one
_LEAST_VALUES = 2  # of a group, to be a group that is compared
ALL = "all patterns and speeds"
TABLE = "the table itself"


@dataclass(frozen=True, eq=False)
class Comparison:
    """``warnings`` stand above the result; ``answers``: sentences; the rest are tables, one row a thing compared.

    ``shots``: all shots that took part or were left out, with ``stratum`` and the factors' level columns;
    ``alike``: those of the lines that say that shots filmed alike don't differ at all.
    """

    factors: tuple[Factor, ...]
    responses: tuple[Response, ...]
    strata: tuple[str, ...]
    warnings: tuple[str, ...]
    answers: tuple[str, ...]
    lines: tuple[str, ...]
    counts: pd.DataFrame
    contrasts: pd.DataFrame
    means: pd.DataFrame
    terms: pd.DataFrame
    covariates: pd.DataFrame
    diagnostics: pd.DataFrame
    scatter: pd.DataFrame
    shots: pd.DataFrame
    grounds: dict[str, Ground] = field(default_factory=dict)
    settings: CompareSettings = field(default_factory=CompareSettings)
    alike: tuple[str, ...] = ()

    def text(self) -> str:
        """Warnings, counts and answers as plain text for the terminal."""
        lines = [f"NOTE: {line}" for line in self.warnings]
        counted, shots = int(self.counts["counted"].sum()), int(self.counts["shots"].sum())
        lines.append(f"{counted} of {shots} shots are counted.")
        for _, row in self.counts.iterrows():
            if row["shots"] > row["counted"]:
                lines.append(f"  left out: {row['shots'] - row['counted']} {_at(row)}: {row['why_left_out']}")
        labels = {r.name: r.label for r in self.responses}
        answers, alike = without_repeats(self.answers, self.contrasts, labels, self.settings)
        lines += [f"- {a}" for a in answers]
        lines += [f"({line})" for line in [*alike, *self.lines]]
        return "\n".join(lines)


def _at(row: pd.Series) -> str:
    """'at long-side-bank, worn' from a row of the counts: what isn't told is named only of the first column."""
    named = row.iloc[: list(row.index).index("shots")].astype(str)
    told = [cell for at, (name, cell) in enumerate(named.items()) if at == 0 or cell != none_told(str(name))]
    return f"at {', '.join(told)}"


def compare_conditions(
    shots: pd.DataFrame,
    *,
    contacts: pd.DataFrame | None = None,
    parameters: pd.DataFrame | None = None,
    settings: CompareSettings | None = None,
) -> Comparison:
    """Compare conditions over pooled (or one session's) shots.

    shots    : SHOTS columns and the conditions' own; contacts: CONTACTS with `session`, used for geometry
    parameters : rows of the sessions' table.csv with `session`: the table's own parameters, which may be responses too
    returns  : a Comparison; poor data gives lines, not errors
    raises   : SettingsError where nothing at all can be compared: no such column, no shots, no condition that varies;
               and for a cell of ours that isn't understood
    """
    settings = settings or CompareSettings()
    shots, events = given_shots(shots), given_contacts(contacts)
    if shots.empty:
        raise SettingsError("there are no shots to compare: measure and pool a session first.")
    shots = with_session(add_impact_roll(add_speed_kept(shots.reset_index(drop=True), events)))
    check_covariates(settings.adjust or (), shots)
    shots, problems = spelled_once(shots)
    by = chosen_conditions(shots, settings, problems)
    factors, levels = read_factors(shots, by, problems)
    if not factors:
        raise SettingsError(f"nothing to compare. {' '.join(problems)}".strip())
    within = [w for w in grouping_columns(shots, settings) if w not in by]
    compared = {w: texts_of(shots[w]) for w in within} | {f.name: levels[f.name] for f in factors if not f.is_slope}
    for name, words in compared.items():
        problems += alike_lines(name, words)
    strata = _strata(shots, within)
    shots = shots.assign(stratum=strata, **{f"level {f.name}": levels[f.name] for f in factors})
    if not counted_mask(shots).any():
        problems.append(
            "no shot is counted: each was judged a mis-hit or unusable, was not judged, was rejected, or has false in "
            "its column counted. Look through them with `reboundry review`; the numbers left out and why are below."
        )
    tables = given_parameters(parameters)
    of_table = parameter_names(tables)
    responses = _responses(shots, settings, problems, of_table)
    names = tuple(sorted(strata.unique()))
    counted, placed = counted_mask(shots), columns_of(shots, GROUND_COLUMNS)
    grounds = {}
    for name in names:
        mine = placed[(strata == name) & counted]
        grounds[name] = ground(mine if len(mine) else placed[strata == name], events)
    problems += _mixed_tables(shots, strata)
    problems += evenings_of_several(shots[counted])
    results = [
        analyse(
            columns_of(shots, columns_for(r, settings))[strata == name],
            levels,
            factors=factors,
            response=r,
            stratum=name,
            strata=strata,
            ground=grounds[name],
            settings=settings,
        )
        for r in responses
        for name in names
    ]
    several = [r for r in responses if _groups_with_values(shots, r.name, strata, counted) > 1]
    if several:
        indirect = next((g.degrees_only for g in grounds.values() if g.degrees_only), "")
        anywhere = Ground("", np.nan, np.nan, np.nan, "patterns differ", indirect)
        results += [
            analyse(
                columns_of(shots, columns_for(r, settings)),
                levels,
                factors=factors,
                response=r,
                stratum=ALL,
                strata=strata,
                ground=anywhere,
                settings=settings,
            )
            for r in several
        ]
    for name in of_table:
        if name in settings.responses:
            result = _of_table(shots, tables, name, factors, settings)
            results.append(result)
            responses.append(result.response)
    contrasts = _stack(results, "contrasts")
    if not settings.by:
        contrasts = _that_can_be_told(contrasts, problems)
    contrasts = _with_holm(contrasts)
    answers = _answers(contrasts, results, settings)
    return Comparison(
        factors=tuple(factors),
        responses=tuple(responses),
        strata=names,
        warnings=(*told_apart(contrasts, [r.untold for r in results]), *problems),
        answers=tuple(answers),
        lines=said_once((result.stratum, result.response.label, result.lines) for result in results),
        counts=_counts(shots, factors, within),
        contrasts=contrasts,
        means=_stack(results, "means"),
        terms=_stack(results, "terms"),
        covariates=_stack(results, "covariates"),
        diagnostics=_stack(results, "diagnostics"),
        scatter=_stack(results, "scatter"),
        shots=shots,
        grounds=grounds,
        settings=settings,
        alike=tuple(result.alike for result in results if result.alike),
    )


def columns_of(shots: pd.DataFrame, names: Sequence[str]) -> pd.DataFrame:
    """Only these columns, of those that are there: a part of all columns is a copy of them."""
    return shots[[name for name in dict.fromkeys(names) if name in shots]]


def _strata(shots: pd.DataFrame, within: Sequence[str]) -> pd.Series:
    words = [texts_of(shots[w]).fillna("") for w in within]
    if not words:
        return pd.Series("", index=shots.index)
    filled = [i for i, cells in enumerate(words) if (cells != "").any()]
    if filled:
        first = filled[0]
        words[first] = words[first].mask(words[first] == "", none_told(within[first]))
    return as_series(joined(words, lambda row: ", ".join(w for w in row if w)), shots.index)


def _groups_with_values(shots: pd.DataFrame, name: str, strata: pd.Series, counted: pd.Series) -> int:
    if name not in shots:
        return 0
    return int((strata[counted & shots[name].notna()].value_counts() >= _LEAST_VALUES).sum())


def _of_table(
    shots: pd.DataFrame, parameters: pd.DataFrame, name: str, factors: Sequence[Factor], settings: CompareSettings
) -> StratumResult:
    """One parameter of the table, a session (or its condition) being one reading."""
    words = [f.name for f in factors if not f.is_slope]
    together = changed_together(shots, parameters, name, words)
    apart = [f for f in factors if f.name not in together]
    if not together:
        return _of_table_by(shots, parameters, name, apart, settings)
    results: list[StratumResult] = []
    for factor in (f for f in factors if f.name in together):
        result = _of_table_by(shots, parameters, name, [*apart, factor], settings)
        wanted = [factor.name] if results else [*(f.name for f in apart), factor.name]  # the others once
        own = result.contrasts
        results.append(replace(result, contrasts=own[own["factor"].isin(wanted)] if len(own) else own))
    line = (
        f"{TABLE}, {name}: {', '.join(together)} changed in the same session: each is compared by itself, over the "
        "others' levels as they were filmed."
    )
    return _as_one(results, line)


def _as_one(results: Sequence[StratumResult], line: str) -> StratumResult:
    """Comparisons of one response that were made one after the other; ``line`` says why."""
    tables = ("contrasts", "means", "terms", "covariates", "diagnostics", "scatter")
    stacked: dict[str, Any] = {}
    for name in tables:
        parts = [table for result in results if len(table := getattr(result, name))]
        stacked[name] = pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()
    return replace(
        results[0],
        **stacked,
        lines=tuple(dict.fromkeys([line, *(said for r in results for said in r.lines)])),
        untold={factor: why for r in results for factor, why in r.untold.items()},
    )


def _of_table_by(
    shots: pd.DataFrame, parameters: pd.DataFrame, name: str, factors: Sequence[Factor], settings: CompareSettings
) -> StratumResult:
    """The same by factors of which no two changed in one session."""
    rows = parameter_rows(
        shots, parameters, name, [f.name for f in factors], readings=[f.name for f in factors if f.is_slope]
    )
    kept: list[Factor] = []
    levels: dict[str, pd.Series] = {}
    lines: list[str] = []
    for factor in factors:
        try:
            found, values = read_factor(rows, factor.name)
        except SettingsError:
            lines.append(f"{TABLE}, {name}: has no value for each level of {factor.name}; not compared by it.")
            continue
        kept.append(found)
        levels[factor.name] = values
    anywhere = Ground("", np.nan, np.nan, np.nan, "not a place")
    result = analyse(
        rows,
        levels,
        factors=kept,
        response=Response(name, name.replace("_", " "), "", "higher", "lower", 4),
        stratum=TABLE,
        strata=pd.Series(TABLE, index=rows.index),
        ground=anywhere,
        settings=replace(settings, adjust=()),
        readings=True,
    )
    said = [re.sub(r"\b(counted )?shot\b", "value", re.sub(r"\b(counted )?shots\b", "values", line))
            for line in result.lines]
    return replace(result, lines=(*lines, *said))


def _responses(
    shots: pd.DataFrame, settings: CompareSettings, problems: list[str], of_table: Sequence[str]
) -> list[Response]:
    if settings.responses:
        return [response(name, shots, also=of_table) for name in settings.responses if name not in of_table]
    out = []
    counted = counted_mask(shots)
    for name in DEFAULT_RESPONSES:
        measured = name in shots and bool(shots.loc[counted, name].notna().any())
        if measured:
            out.append(response(name, shots))
        elif counted.any():
            problems.append(f"{name} was measured in no counted shot; not compared.")
    return out


def _mixed_tables(shots: pd.DataFrame, strata: pd.Series) -> list[str]:
    """Sessions on tables of different size must not be compared as if a sight were one length."""
    if "table_length_mm" not in shots:
        return []
    lines = []
    for name, part in shots[["table_length_mm", "session"]].groupby(strata):
        sizes = part.groupby(pd.to_numeric(part["table_length_mm"]).round(0))["session"].unique()
        if len(sizes) > 1:
            listed = "; ".join(f"{size:.0f} mm: {', '.join(map(str, who))}" for size, who in sizes.items())
            lines.append(
                f"{name or 'these shots'}: tables of different length ({listed}). mm and sights are the first table's; "
                "a pattern on another size is another pattern: compare with --within pattern,speed_class,table."
            )
    return lines


def _counts(shots: pd.DataFrame, factors: Sequence[Factor], within: Sequence[str]) -> pd.DataFrame:
    named = [f.name for f in factors if not f.is_slope]
    filled = [w for w in within if shots[w].astype("string").fillna("").str.strip().ne("").any()]
    columns = [*filled, *named]
    return count_shots(shots.assign(**{name: shots[f"level {name}"] for name in named}), columns)


def _stack(results: Sequence[StratumResult], table: str) -> pd.DataFrame:
    parts = []
    for result in results:
        rows: pd.DataFrame = getattr(result, table)
        if rows.empty:
            continue
        head = {"response": result.response.name, "unit": result.response.unit, "stratum": result.stratum}
        parts.append(pd.concat([pd.DataFrame([head] * len(rows), index=rows.index), rows], axis=1))
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()


def _with_holm(contrasts: pd.DataFrame) -> pd.DataFrame:
    """p adjusted by Holm within each response, over its main contrasts in all strata (and, apart, its simple ones)."""
    if contrasts.empty:
        return contrasts
    best = contrasts["adjusted_p"].where(contrasts["used"] == "adjusted", contrasts["raw_p"])
    adjusted = pd.Series(np.nan, index=contrasts.index)
    family = [contrasts["response"], contrasts["main"], contrasts["stratum"] == ALL]
    for _, rows in contrasts.groupby(family):
        adjusted.loc[rows.index] = holm(best.loc[rows.index].to_numpy(dtype=float))
    return contrasts.assign(p=best, p_holm=adjusted)


def _that_can_be_told(contrasts: pd.DataFrame, problems: list[str]) -> pd.DataFrame:
    """Without conditions none of whose differences can be estimated anywhere: they were not asked for by name."""
    if contrasts.empty:
        return contrasts
    told = contrasts["raw_diff"].notna().groupby(contrasts["factor"]).any()
    never = [str(name) for name in dict.fromkeys(contrasts["factor"]) if not told[name]]
    if never:
        problems.append(
            f"{', '.join(never)}: left out, as no difference can be told from these shots: changed together with "
            "other conditions. Name fewer conditions with --by, or film the missing combinations."
        )
    return contrasts[~contrasts["factor"].isin(never)].reset_index(drop=True)


def _answers(contrasts: pd.DataFrame, results: Sequence[StratumResult], settings: CompareSettings) -> list[str]:
    if contrasts.empty:
        return []
    contrasts["answer"] = ""
    by_key = {(r.response.name, r.stratum): r for r in results}
    untold: Counter[tuple[str, str, str]] = Counter()
    for at, row in contrasts.iterrows():
        result = by_key[(row["response"], row["stratum"])]
        if pd.isna(row["raw_diff"]):
            key = (row["response"], row["stratum"], row["factor"])
            untold[key] += bool(row["main"])
            if untold[key] > _MOST_UNTOLD or not row["main"]:
                continue  # said once for all of them below
        contrasts.loc[at, "answer"] = answer(
            row,
            stratum=result.stratum,
            response=result.response,
            ground=result.ground,
            settings=settings,
            counted=0 if result.stratum == TABLE else result.counted,  # of the table it is readings, not shots
        )
    texts = list(contrasts.loc[contrasts["main"] & (contrasts["answer"] != ""), "answer"])
    for (name, stratum, factor), times in untold.items():
        if times > _MOST_UNTOLD:
            label = by_key[(name, stratum)].response.label
            head = f"{stratum}, {label}: " if stratum else f"{label}: "
            texts.append(f"{head}{times} differences by {factor} can't be estimated, no shots to tell them from.")
    return texts
