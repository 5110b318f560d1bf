"""How likely `compare` is to see what a condition does that changes during a session, by playing the plan in numbers.

Few shots make this no textbook t test: some don't count, by chance more at one level; covariates are only used where
shots allow; conditions may scatter differently, and of two intervals the wider is given. So the plan's shots are
drawn, and `compare`'s own model says how wide its intervals get. A contrast's estimate doesn't depend on that width
(both are of independent normal variables), so each draw gives its power exactly: a hundred draws suffice.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from pipeline.plan_power import Spread, check_wanted, filmed, power_t, sessions_left, sessions_needed, shots_needed

_DRAWS = 120  # power is then within about 0.02
_MOST_DRAWN = 300  # counted shots; of more, counting and choosing no longer matter, and the t test does
_SEED = 20
_LEAST_DF = 2  # that conditions acting together must leave, as in `compare`


@dataclass(frozen=True)
class Sheet:
    """What is filmed of one pattern and speed: ``repeats`` shots of each combination of ``easy`` levels in each of
    ``sessions`` sessions with each combination of ``hard`` levels; conditions as (name, levels)."""

    easy: tuple[tuple[str, tuple[str, ...]], ...]
    hard: tuple[tuple[str, tuple[str, ...]], ...]
    repeats: int
    sessions: int

    @property
    def combinations(self) -> int:
        """Of easy levels: shots a block."""
        return math.prod(len(levels) for _, levels in self.easy)

    @property
    def evenings(self) -> int:
        return self.sessions * math.prod(len(levels) for _, levels in self.hard)

    @property
    def shots(self) -> int:
        return self.repeats * self.evenings * self.combinations

    def table(self) -> pd.DataFrame:
        """A row a shot: session and conditions."""
        conditions = {**dict(self.hard), **dict(self.easy)}
        rows = pd.MultiIndex.from_product([range(self.sessions), *conditions.values(), range(self.repeats)])
        out = rows.to_frame(index=False).set_axis(["round", *conditions, "block"], axis=1)
        held = ["round", *dict(self.hard)]
        return out.assign(session=out.groupby(held, sort=False).ngroup().astype(str))


def power_inside(sheet: Sheet, shift: float, spread: Spread) -> dict[str, float]:
    """Each easy condition's power to see ``shift`` between two of its levels, at 95 % confidence."""
    if sheet.shots * spread.kept_share > _MOST_DRAWN:
        return {name: _textbook(sheet, len(levels), shift, spread) for name, levels in sheet.easy}
    scatter = spread.shot_sd * np.array(spread.growth)
    out = {}
    for name, (used, se, half) in _drawn(sheet, spread.kept_share, len(spread.growth) - 1).items():
        d = abs(shift) / scatter[used]
        with np.errstate(invalid="ignore"):
            seen = stats.norm.cdf((d - half) / se) + stats.norm.cdf((-d - half) / se)
        out[name] = float(np.mean(np.where(np.isfinite(seen), seen, 0.0)))
    return out


def repeats_needed(sheet: Sheet, shift: float, spread: Spread, *, power: float, least: int = 2) -> int:
    """Blocks a session, ``least`` or more, with which every easy condition of ``sheet`` reaches ``power``.

    Raises SettingsError where not even 100 000 shots would do.
    """
    check_wanted(shift, power)

    def enough(repeats: int) -> bool:
        return min(power_inside(replace(sheet, repeats=repeats), shift, spread).values()) >= power

    shots = shots_needed(shift, spread.shot_sd, power=power) * min(len(levels) for _, levels in sheet.easy)
    start = math.ceil(filmed(shots, spread) / (sheet.evenings * sheet.combinations))
    low, high = least - 1, max(start, least)
    while not enough(high):
        low, high = high, high + max(1, high // 6)
    step = max(1, high // 8)
    while high - low > 1:
        tried = max(high - step, low + 1)
        if enough(tried):
            high, step = tried, 2 * step
        else:
            low, step = tried, max(1, (high - tried) // 2)
    return high


def power_table(
    shift: float, spread: Spread, *, levels: Sequence[int] = ()
) -> pd.DataFrame:
    """For 80 and 90 % power: shots per level inside sessions; sessions per level for some numbers of shots in each.

    levels : how many levels each condition has that stays for a session; sessions are counted per level of the one with
    most. None: as for one of two levels
    """
    levels = tuple(levels) or (2,)
    one = Sheet((("condition", ("a", "b")),), (), 1, 1)
    rows: list[dict[str, Any]] = []
    for power in (0.8, 0.9):
        shots = repeats_needed(one, shift, spread, power=power)
        rows.append(
            {
                "condition": "changed during a session",
                "power": power,
                "counted_shots_per_level": round(shots * spread.kept_share),
                "filmed_shots_per_level": shots,
                "sessions_per_level": 1,
            }
        )
        for counted in (4, 8, 12, 20, 40):
            each = sessions_needed(shift, counted, spread, power=power, levels=levels)
            s = each * math.prod(levels) // max(levels)
            rows.append(
                {
                    "condition": "one level a session",
                    "power": power,
                    "counted_shots_per_level": counted * s if s else None,
                    "filmed_shots_per_level": filmed(counted, spread) * s if s else None,
                    "sessions_per_level": s or None,
                    "counted_shots_per_session": counted,
                }
            )
    return pd.DataFrame(rows)


def _textbook(sheet: Sheet, levels: int, shift: float, spread: Spread) -> float:
    from pipeline.compare.covariates import most_covariates

    counted = sheet.shots * spread.kept_share
    spare = int(counted) - sheet.combinations - sheet.evenings + 1
    used = min(len(spread.growth) - 1, most_covariates(spare))
    df = spare - used
    se = spread.shot_sd * spread.growth[used] * math.sqrt(2 * levels / counted * (1 + used / max(df - 1, 1)))
    return power_t(shift / se, df)


@lru_cache(maxsize=64)
def _drawn(
    sheet: Sheet, kept_share: float, covariates: int
) -> Mapping[str, tuple[NDArray[np.intp], NDArray[np.float64], NDArray[np.float64]]]:
    """Each easy condition's draws: covariates used, true standard error and the interval's half-width, for shots that
    scatter by 1. Infinitely wide where too few shots are left to compare."""
    from pipeline.compare.conditions import read_factor
    from pipeline.compare.covariates import most_covariates
    from pipeline.compare.design import Design
    from pipeline.compare.labels import numbered
    from pipeline.compare.model import TooFewShots, fit_linear

    table = sheet.table()
    read = {name: read_factor(table, name) for name, _ in (*sheet.easy, *sheet.hard)}
    factors = tuple(factor for factor, _ in read.values())
    words = [factor.name for factor in factors if not factor.is_slope]
    cell = table.groupby(words).ngroup().to_numpy() if words else np.zeros(len(table), dtype=np.intp)
    evening = np.eye(sheet.evenings)[table["session"].astype(int)]
    values = {name: column for name, (_, column) in read.items()}
    matrices, contrasts = {}, {}
    for together in (False, True):
        design = Design(factors, interactions=together and len(factors) > 1)
        x = design.matrix(values, numbered(np.zeros(len(table), dtype=np.intp), [""]), np.zeros((len(table), 0)))
        matrices[together] = np.hstack([x, evening[:, 1:]])
        wide = np.zeros(sheet.evenings - 1)
        main = [c for c in design.contrasts() if c.main]
        contrasts[together] = {
            name: np.array([*next(c for c in main if c.factor == name).row, *wide]) for name, _ in sheet.easy
        }
    levels = [len(each) for _, each in sheet.hard]
    no_session_left = sessions_left(sheet.evenings, levels) != _left_together(sheet.evenings, levels)
    rng = np.random.default_rng(_SEED)
    found: dict[str, list[tuple[int, float, float]]] = {name: [] for name, _ in sheet.easy}
    for _ in range(_DRAWS):
        kept = np.flatnonzero(rng.random(len(table)) < kept_share)
        y, hits = rng.normal(size=len(kept)), rng.normal(size=(len(kept), covariates))
        everywhere = len(np.unique(cell[kept])) == cell.max() + 1
        crossed = matrices[True].shape[1]
        together = everywhere and not no_session_left and len(kept) - crossed >= _LEAST_DF
        x = matrices[together][kept]
        spare = len(kept) - int(np.linalg.matrix_rank(x))
        used = min(most_covariates(spare), covariates)
        try:
            fit = fit_linear(y, np.hstack([x, hits[:, :used]]), cell=cell[kept], wider=True)
        except TooFewShots:
            fit = None
        for name, row in contrasts[together].items():
            se, half = math.nan, math.inf
            if fit is not None:
                wide = np.append(row, np.zeros(used))
                plain = replace(fit, wider=False).estimate(wide)
                interval = fit.estimate(wide).interval
                se, half = plain.se / fit.total_sd, (interval.high - interval.low) / 2
            found[name].append((used, se, half))
    return {
        name: (np.array([u for u, _, _ in draws]), np.array([s for _, s, _ in draws]), np.array([h for *_, h in draws]))
        for name, draws in found.items()
    }


def _left_together(sessions: int, levels: list[int]) -> int:
    """Degrees of freedom of sessions where conditions that stay for one act together in pairs."""
    pairs = sum((a - 1) * (b - 1) for i, a in enumerate(levels) for b in levels[i + 1 :])
    return sessions - 1 - sum(n - 1 for n in levels) - pairs
