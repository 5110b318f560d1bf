"""The comparison's files: comparison.html, every table as CSV, every picture as SVG."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from pipeline.compare.comparison import ALL, TABLE, Comparison
from pipeline.compare.counting import COUNT_COLUMNS, counted_mask
from pipeline.compare.drawn import shots_to_draw
from pipeline.compare.on_table import arrival_picture, fan_picture
from pipeline.compare.page import comparison_page
from pipeline.compare.pictures import (
    counts_picture,
    effect_picture,
    interaction_picture,
    restitution_picture,
    svg,
)
from pipeline.compare.responses import in_words_of
from shared.errors import SettingsError
from shared.files import tool_version, write_text

TABLES = ("counts", "contrasts", "means", "terms", "covariates", "diagnostics", "scatter")

Pictures = dict[str, list[tuple[str, str]]]


def write_comparison(
    out: Path,
    comparison: Comparison,
    *,
    contacts: pd.DataFrame,
    tracks: pd.DataFrame,
    title: str = "Conditions compared",
    about: str = "",
) -> Path:
    """Write all files into ``out`` and return the page's path. Raises SettingsError where ``out`` can't be written."""
    pictures = draw(comparison, contacts, tracks)
    page = comparison_page(comparison, pictures, title=title, about=about, version=tool_version())
    try:
        out.mkdir(parents=True, exist_ok=True)
        for name in TABLES:
            table: pd.DataFrame = getattr(comparison, name)
            write_text(out / f"{name}.csv", table.to_csv(index=False, float_format="%.8g", lineterminator="\n"))
        lines = [*comparison.warnings, *comparison.answers, *comparison.lines]
        write_text(out / "answers.txt", "\n".join(lines) + "\n")
        for section, figures in pictures.items():
            for n, (_, text) in enumerate(figures, start=1):
                write_text(out / "pictures" / f"{section}-{n}.svg", text)
        write_text(out / "comparison.html", page)
    except OSError as error:
        raise SettingsError(
            f"{out}: can't be written to ({error.strerror}); give another folder with --out."
        ) from error
    return out / "comparison.html"


def draw(comparison: Comparison, contacts: pd.DataFrame, tracks: pd.DataFrame) -> Pictures:
    """Section -> (caption, SVG)."""
    c = comparison
    pictures: Pictures = {"counts": [], "table": []}
    names = [n for n in c.counts.columns if n not in COUNT_COLUMNS]
    pictures["counts"].append(("Counted shots and those left out, by condition", svg(counts_picture(c.counts, names))))
    for r in c.responses:
        figures = pictures.setdefault(r.name, [])
        rows = c.contrasts[c.contrasts["response"] == r.name] if len(c.contrasts) else c.contrasts
        for stratum in [s for s in (*c.strata, ALL, TABLE) if len(rows) and (rows["stratum"] == s).any()]:
            mine = rows[rows["stratum"] == stratum]
            head = f"{stratum}: " if stratum else ""
            worded = in_words_of(mine.iloc[0], r)
            figures.append(
                (f"{head}{r.label}, differences with intervals", svg(effect_picture(mine, worded, c.settings.level)))
            )
            means = c.means[(c.means["response"] == r.name) & (c.means["stratum"] == stratum)]
            both = interaction_picture(means, c.factors, r)
            if both is not None:
                figures.append((f"{head}{r.label}, do the conditions act together?", svg(both)))
    chosen, cells = shots_to_draw(c.shots, c.factors)
    for stratum in c.strata:
        shots = chosen[chosen["stratum"] == stratum]
        if shots.empty:
            continue
        head = f"{stratum}: " if stratum else ""
        here = cells.loc[shots.index]
        all_shots = int((counted_mask(c.shots) & (c.shots["stratum"] == stratum)).sum())
        some = f" ({len(shots)} of {all_shots} shots)" if len(shots) < all_shots else ""
        for caption, figure in (
            ("arrival points at the target, by condition", arrival_picture(shots, contacts, here, c.grounds[stratum])),
            ("paths by condition", fan_picture(shots, tracks, here)),
            ("restitution against speed", restitution_picture(shots, here)),
        ):
            if figure is not None:
                pictures["table"].append((head + caption + some, svg(figure)))
    return pictures
