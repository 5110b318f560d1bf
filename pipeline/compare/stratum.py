"""One response, one pattern and speed: raw and adjusted differences between conditions, side by side."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.compare.conditions import Factor
from pipeline.compare.contrasts import Fits, contrast_table
from pipeline.compare.counting import counted_mask
from pipeline.compare.covariates import Adjustment, choose_covariates, not_adjusted
from pipeline.compare.design import Design
from pipeline.compare.diagnostics import diagnose, far_from_the_rest
from pipeline.compare.evening_words import evening_checks, too_few_evenings
from pipeline.compare.evenings import EVENING
from pipeline.compare.ground import Ground
from pipeline.compare.labels import MEAN_COLUMNS, column_of, combinations, used
from pipeline.compare.model import LEAST_OWN, LinearFit, TooFewShots, fit_linear
from pipeline.compare.responses import Response, usual_covariates
from pipeline.compare.rows import Rows, complete_rows, factors_present, with_cells, with_means
from pipeline.compare.scatter import session_scatter
from pipeline.compare.settings import CompareSettings
from pipeline.compare.support import Support
from pipeline.compare.taken_away import taken_away
from pipeline.compare.untold import untold_sentences, why_untold
from shared.numbers import number_text

_MOST_NAMED = 4  # combinations without a shot that are named
_LEAST_DF = 2  # an interval from one degree of freedom says nothing


@dataclass(frozen=True, eq=False)
class StratumResult:
    """Tables for one response and stratum (columns in README), and lines to show above them.

    contrasts : with ``more`` and ``less``, the words for a larger and a smaller value here, and the sentences
                ``untold`` (from the evening) and ``taken_away`` (by adjusting)
    counted : counted shots of the stratum, whether or not they have the response and every condition
    untold  : by condition that can't be told from the evening, why it can't
    alike   : the line that says so where shots filmed alike don't differ at all, else ''
    """

    stratum: str
    response: Response
    ground: Ground
    contrasts: pd.DataFrame
    means: pd.DataFrame
    terms: pd.DataFrame
    covariates: pd.DataFrame
    diagnostics: pd.DataFrame
    scatter: pd.DataFrame
    lines: tuple[str, ...]
    counted: int = 0
    untold: Mapping[str, str] = field(default_factory=dict)
    alike: str = ""


def analyse(
    shots: pd.DataFrame,
    levels: Mapping[str, pd.Series],
    *,
    factors: Sequence[Factor],
    response: Response,
    stratum: str,
    strata: pd.Series,
    ground: Ground,
    settings: CompareSettings,
    readings: bool = False,
) -> StratumResult:
    """Compare within one stratum, or over several at once (``strata`` then holds more than one label).

    shots : all shots of the stratum, counted or not, at least ``columns_for``; levels: each factor per shot
    readings : the rows are no shots but readings of the table, that scatter by their ``u`` while a session lasts
    Never raises for poor data: what can't be said is in ``lines``.
    """
    if response.is_angle and ground.degrees_only:
        response = replace(response, more="flatter", less="steeper", hint="")  # which of them lands longer isn't known
    where = f"{stratum}, {response.label}" if stratum else response.label
    counted, lines = complete_rows(shots[counted_mask(shots)], levels, factors, response, strata, where=where)
    present, more = factors_present(factors, counted, where=where)
    lines += more
    result = _nothing(stratum, response, ground)
    if len(counted.y) < 2:
        lines.append(f"{where}: {len(counted.y)} counted shot(s) with a value; nothing to compare.")
    if not present or len(counted.y) < 2:
        return replace(result, lines=tuple(lines))
    counted = with_means(with_cells(counted, present), present)
    design = _design(present, counted, lines, where)
    try:
        raw_fit = _fit(counted, design, np.zeros((len(counted.y), 0)), readings=readings)
    except TooFewShots as few:
        lines.append(f"{where}: {few}; means only.")
        return replace(result, means=_means(counted, design, None, None, settings), lines=tuple(lines))
    if raw_fit.no_scatter:
        lines.append(f"{where}: {_alike(counted.y)}")
        means = _means(counted, design, None, None, settings)
        return replace(result, means=means, lines=tuple(lines), alike=lines[-1])
    if raw_fit.session_df < 1 and design.interactions:
        apart = replace(design, interactions=False)
        adding = _fit(counted, apart, np.zeros((len(counted.y), 0)), readings=readings)
        if adding.session_df > raw_fit.session_df:
            many = raw_fit.n_sessions
            lines.append(f"{where}: {many} sessions are too few to see whether the conditions act together.")
            raw_fit, design = adding, apart
    adjustment = choose_covariates(
        counted.shots,
        combinations([counted.cells, counted.session, counted.strata]),
        candidates=_candidates(response, settings),
        spare=int(min(raw_fit.residual_df, raw_fit.n)),
        response=response.name,
        lacking=Support(counted, design, settings.level).lacking,
    )
    kept, adjusted_design, adjusted_fit = _adjusted(counted, design, adjustment, lines, where)
    main_fit, main_design = (adjusted_fit, adjusted_design) if adjusted_fit else (raw_fit, design)
    fitted = kept if adjusted_fit else counted
    diagnosis = diagnose(main_fit, fitted.cells, _shot_names(fitted))
    if diagnosis.odd_shots:
        lines.append(f"{where}: {far_from_the_rest(diagnosis.odd_shots)}.")
    if diagnosis.unequal:
        raw_fit = replace(raw_fit, robust=True)
        main_fit = replace(main_fit, robust=True)
        adjusted_fit = main_fit if adjusted_fit else None
    lines += _small_cells(fitted, main_fit, where)
    if response.is_angle and ground.degrees_only and ground.target:
        lines.append(
            f"{f'{stratum}: ' if stratum else ''}angles are given in degrees only, without mm, aim or a bound of half "
            f"a pocket: {ground.degrees_only}, at which a flatter angle may become a steeper one."
        )
    same = _fit(kept, design, np.zeros((len(kept.y), 0))) if len(kept.y) < len(counted.y) else raw_fit
    everyone = _all_shots_fit(shots, levels, present, response, strata, design)
    table = contrast_table(
        Fits(raw_fit, adjusted_fit, same, everyone, design, adjusted_design),
        bound=bound_of(response, ground, settings),
        skewed=diagnosis.skewed,
        not_adjusted=not_adjusted(adjustment, adjusted_fit is not None),
        settings=settings,
    )
    doubt = too_few_evenings(table, evenings=main_fit.n_sessions)
    lines += [f"{where}: {doubt}"] if doubt else []
    untold = why_untold(table, counted, raw_fit.n_sessions)
    return StratumResult(
        stratum,
        response,
        ground,
        contrasts=table.assign(
            untold=untold_sentences(table, untold),
            taken_away=_taken_away(table, kept, design, adjustment, adjusted_fit, settings),
            more=response.more,
            less=response.less,
        ),
        means=_means(counted, design, raw_fit, adjusted_fit, settings),
        terms=_terms(main_fit, main_design),
        covariates=_balance(adjustment, counted),
        diagnostics=pd.concat([diagnosis.table, evening_checks(table)], ignore_index=True),
        scatter=_scatter(main_fit, fitted),
        lines=tuple(lines),
        counted=int(counted_mask(shots).sum()),
        untold=untold,
    )


def _alike(y: NDArray[np.float64]) -> str:
    if np.ptp(y) <= 1e-9 * np.abs(y).max():
        return f"the same in all {len(y)} counted shots ({number_text(float(y[0]))}); nothing to compare."
    return "shots filmed alike don't differ at all, so nothing tells how sure a difference is; means only."


def _small_cells(rows: Rows, fit: LinearFit, where: str) -> list[str]:
    """A line on combinations of so few shots that these are taken to scatter as the others do."""
    shots = {name: int(np.sum(rows.cells == name)) for name in used(rows.cells)}
    few = [name for name, n in shots.items() if n < LEAST_OWN]
    if not few or len(shots) < 2 or fit.robust:
        return []
    return [f"{where}: {_some(few)}: fewer than {LEAST_OWN} counted shots, taken to scatter as the others do."]


def columns_for(response: Response, settings: CompareSettings) -> tuple[str, ...]:
    """The columns of shots that a comparison of this response looks at."""
    measures = (response.name, *_candidates(response, settings))
    told = ("shot_id", "session", EVENING, "verdict", "review", "counted")
    return (*told, *measures, *(f"{name}_u" for name in measures))


def _shot_names(rows: Rows) -> list[str]:
    """Each shot's name, behind its session's where there are several."""
    names = rows.shots["shot_id"].astype("string").fillna("").tolist()
    if rows.shots["session"].nunique() < 2:
        return names
    return [f"{session}/{name}" for session, name in zip(rows.shots["session"].astype(str), names, strict=True)]


def _candidates(response: Response, settings: CompareSettings) -> tuple[str, ...]:
    return usual_covariates(response) if settings.adjust is None else settings.adjust


def _design(factors: tuple[Factor, ...], rows: Rows, lines: list[str], where: str) -> Design:
    """Interactions only where every combination was filmed and shots are left to judge the scatter."""
    strata = tuple(used(rows.strata))
    plain = Design(factors, strata, interactions=False)
    words = [f for f in factors if not f.is_slope]
    if len(factors) < 2:
        return plain
    filmed = set(used(rows.cells))
    wanted = list(Design(tuple(words), strata).cells()) if words else []
    missing = [name for c in wanted if (name := ", ".join(f"{k} {v}" for k, v in c.items())) not in filmed]
    if missing:
        lines.append(
            f"{where}: no counted shot with {_some(missing)}. Conditions are taken to add up; whether they act "
            "together can't be said."
        )
        return plain
    crossed = Design(factors, strata, interactions=True)
    sessions = len(used(rows.session))
    alone = sessions == len(rows.y)  # then the values are the sessions
    if len(rows.y) - crossed.n_columns - (0 if alone else sessions - 1) < _LEAST_DF:
        lines.append(f"{where}: {len(rows.y)} shots are too few to see whether the conditions act together.")
        return plain
    return crossed


def _some(names: Sequence[str]) -> str:
    """The first few, and how many more."""
    more = len(names) - _MOST_NAMED
    return "; ".join(names[:_MOST_NAMED]) + (f"; and {more} more combinations" if more > 0 else "")


def _fit(rows: Rows, design: Design, covariates: NDArray[np.float64], *, readings: bool = False) -> LinearFit:
    x = design.matrix(rows.levels, rows.strata, covariates, rows.means)
    return fit_linear(
        rows.y, x, u=rows.u, session=rows.session, evening=rows.evening, cell=rows.cells, wider=True, readings=readings
    )


def _adjusted(
    rows: Rows, design: Design, adjustment: Adjustment, lines: list[str], where: str
) -> tuple[Rows, Design, LinearFit | None]:
    if not adjustment.names:
        return rows, design, None
    keep = adjustment.keep
    part = rows.take(keep)
    if not keep.all():
        lines.append(f"{where}: {int((~keep).sum())} shot(s) lack a covariate and are in the raw comparison only.")
    covariates = adjustment.columns[keep]
    wide = replace(design, n_covariates=covariates.shape[1])
    try:
        fit = _fit(part, wide, covariates)
    except TooFewShots as few:
        lines.append(f"{where}: not adjusted: {few}.")
        return rows, design, None
    if fit.no_scatter:
        lines.append(f"{where}: not adjusted: its covariates give it exactly, so nothing is left to judge scatter by.")
        return rows, design, None
    return part, wide, fit


def _taken_away(
    table: pd.DataFrame,
    rows: Rows,
    design: Design,
    adjustment: Adjustment,
    fit: LinearFit | None,
    settings: CompareSettings,
) -> list[str]:
    """A sentence, or "", for each row of the table of differences."""
    if fit is None:
        return [""] * len(table)
    measured = np.column_stack([pd.to_numeric(rows.shots[name]).to_numpy(dtype=float) for name in adjustment.names])
    conditions = fit.design[:, : design.n_columns]
    said = taken_away(design.contrasts(), adjustment.names, measured, conditions, settings.level)
    return [
        said.get((str(row["factor"]), str(row["a"]), str(row["b"])), "") if row["main"] else ""
        for _, row in table.iterrows()
    ]


def _all_shots_fit(
    shots: pd.DataFrame,
    levels: Mapping[str, pd.Series],
    factors: tuple[Factor, ...],
    response: Response,
    strata: pd.Series,
    design: Design,
) -> LinearFit | None:
    """The same comparison with the mis-hits left in: what leaving them out does. None if nothing was left out."""
    if bool(counted_mask(shots).all()):
        return None
    rows, _ = complete_rows(shots, levels, factors, response, strata)
    known = np.asarray(rows.strata.isin(design.strata))
    for factor in factors:
        if not factor.is_slope:
            known &= rows.levels[factor.name].isin(factor.levels).to_numpy(dtype=bool)
    rows = with_means(rows.take(known), factors)
    try:
        return _fit(rows, design, np.zeros((len(rows.y), 0)))
    except TooFewShots:
        return None


def _nothing(stratum: str, response: Response, ground: Ground) -> StratumResult:
    none = pd.DataFrame()
    return StratumResult(stratum, response, ground, none, none, none, none, none, none, ())


def bound_of(response: Response, ground: Ground, settings: CompareSettings) -> float:
    """The smallest difference that matters, in the response's unit; NaN where none can be given."""
    if settings.bound is not None:
        return settings.bound
    if response.is_miss:
        return ground.opening_mm / 2
    if response.is_angle:
        return ground.opening_mm / 2 / ground.mm_per_deg
    return math.nan


def _means(
    rows: Rows, design: Design, raw: LinearFit | None, adjusted: LinearFit | None, settings: CompareSettings
) -> pd.DataFrame:
    """A row a cell that was filmed: n, raw mean and sd, modelled means with their intervals in these sessions."""
    words = [f.name for f in design.factors if not f.is_slope]
    out: list[dict[str, object]] = []
    for cell in used(rows.cells):
        mine = np.asarray(rows.cells == cell)
        first = int(np.flatnonzero(mine)[0])
        levels: dict[str, str | float] = {name: str(rows.levels[name].iloc[first]) for name in words}
        y = rows.y[mine]
        row: dict[str, object] = {column_of(name, MEAN_COLUMNS): level for name, level in levels.items()}
        row |= {"n": len(y), "mean": float(y.mean()), "sd": float(y.std(ddof=1)) if len(y) > 1 else math.nan}
        at = {f.name: levels.get(f.name, (f.low + f.high) / 2) for f in design.factors}
        for kind, fit in (("raw", raw), ("adjusted", adjusted)):
            row |= dict.fromkeys((f"{kind}_mean", f"{kind}_low", f"{kind}_high"), math.nan)
            if fit is None:
                continue
            wide = replace(design, n_covariates=fit.n_terms - len(design.row(at)))
            e = fit.estimate(wide.row(at), level=settings.level)
            row |= {f"{kind}_mean": e.value, f"{kind}_low": e.here.low, f"{kind}_high": e.here.high}
        out.append(row)
    return pd.DataFrame(out)


def _terms(fit: LinearFit, design: Design) -> pd.DataFrame:
    rows = []
    for name, contrasts, along in design.terms():
        test = fit.f_test(contrasts, along=along)
        rows.append(
            {
                "term": name,
                "ss": test.ss,
                "df": test.df,
                "f": test.f,
                "df_error": test.df_error,
                "p": test.p,
                "basis": test.basis,
            }
        )
    rows.append(
        {
            "term": "residual",
            "ss": fit.total_sd**2 * _shown(fit.residual_df),
            "df": _shown(fit.residual_df),
            "f": math.nan,
            "df_error": math.nan,
            "p": math.nan,
            "basis": "",
        }
    )
    return pd.DataFrame(rows)


def _shown(df: float) -> float:
    """Degrees of freedom for a table: empty where nothing shows the scatter."""
    return df if math.isfinite(df) else math.nan


def _balance(adjustment: Adjustment, rows: Rows) -> pd.DataFrame:
    """The covariates' table with each condition's mean beside: adjusting leans on the slope where these differ."""
    table = adjustment.table.copy()
    for cell in used(rows.cells):
        mine = np.asarray(rows.cells == cell)
        table[f"mean at {cell}" if cell else "mean"] = [
            float(pd.to_numeric(rows.shots.loc[mine, name]).mean()) if name in rows.shots else math.nan
            for name in table["covariate"]
        ]
    return table


def _scatter(fit: LinearFit, rows: Rows) -> pd.DataFrame:
    """Scatter of shots and of sessions; the latter only where sessions are left over to judge it by."""
    found = session_scatter(rows.y, fit.design, rows.evening)
    enough = fit.session_df >= 2
    note = found.note or ("" if enough else "conditions take up the sessions: their scatter can't be told")
    return pd.DataFrame(
        [
            {
                "shots": fit.n,
                "sessions": fit.n_sessions,
                "shot_sd": fit.sd,
                "measurement_u_rms": fit.rms_u,
                "residual_df": _shown(fit.residual_df),
                "session_df": fit.session_df,
                "session_sd": fit.session_sd if enough else math.nan,
                "mixed_model_shot_sd": found.shot_sd if enough else math.nan,
                "mixed_model_session_sd": found.session_sd if enough else math.nan,
                "session_share": found.session_share if enough else math.nan,
                "note": note,
            }
        ]
    )
