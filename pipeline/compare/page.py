"""comparison.html: one self-contained page with the answers, the pictures and the tables behind them."""

from __future__ import annotations

import base64
import html
import math
import re
from collections.abc import Mapping, Sequence

import pandas as pd

from pipeline.compare.comparison import ALL, Comparison
from pipeline.compare.in_short import in_short
from pipeline.compare.settings import percent
from pipeline.compare.taken_away import EQUAL_HITS, FOR_THE_AIM

_SENTENCE = re.compile(r"(?<=\.) (?=[A-Z])")  # where the next one begins

_STYLE = """
:root { color-scheme: light; }
body { font: 16px/1.5 system-ui, sans-serif; margin: 0 auto; max-width: 68rem; padding: 1.5rem; color: #1a1a1a; }
h1 { font-size: 1.6rem; } h2 { font-size: 1.25rem; margin-top: 2.2rem; border-bottom: 1px solid #ccc; }
h3 { font-size: 1.05rem; margin-bottom: .3rem; } h1, h2, h3, p, li, div.warning, div.note { overflow-wrap: anywhere; }
.warning { border-left: 6px solid #D55E00; background: #fff5ee; padding: .6rem .9rem; margin: .6rem 0; }
.note { border-left: 6px solid #56B4E9; background: #f3f9fd; padding: .4rem .9rem; margin: .4rem 0; font-size: .95rem; }
ul.answers li { margin: .35rem 0; }
figure { margin: 1rem 0; } figure img { max-width: 100%; height: auto; }
figcaption { font-size: .9rem; color: #444; }
.wide { overflow-x: auto; } table { border-collapse: collapse; font-size: .85rem; margin: .5rem 0; }
th, td { border: 1px solid #ccc; padding: .2rem .5rem; text-align: left; vertical-align: top; }
td.number { text-align: right; font-variant-numeric: tabular-nums; white-space: nowrap; }
th { background: #f4f4f4; }
table.short { font-size: .95rem; } table.short td { width: 40%; }
table.short th.group { background: #fff; border-top: 2px solid #888; padding-top: .5rem; }
@media print { body { max-width: none; font-size: 11pt; } h2 { break-after: avoid; } table { font-size: 7pt; }
  figure, tr { break-inside: avoid; } }
"""

_HOW = """
<p>Only counted shots are compared: the person's decision where there is one, else the program's verdict, which never
looks at the rebound. <b>Raw</b> is the plain difference of means, of the balls as they came. <b>Adjusted</b> is the
difference for balls that arrive alike at the cushion (angle, roll, speed) from hits alike (the cue ball's roll and
cross spin), because no one hits every shot alike. If the condition itself changes how the ball arrives (a slow cloth
slows it on its way), that part of its effect is in raw only; to compare equal hits instead, adjust for what the cue
and object ball did before: <code>--adjust EQUAL_HITS</code> (<code>FOR_THE_AIM</code> where no pattern file tells the
aim). An answer says so where a measure that is adjusted for
differs between two levels by more than its standard deviation within them, and by more than chance makes of so few
shots (t test). Each shot weighs by its scatter and its own measurement uncertainty together. <b>Within sessions</b>:
the condition changed during the session, which cancels whatever the evening did. Where evenings differ in what the
condition did by more than chance (F test, p below 0.05; of two evenings below 0.01) the interval allows for that
scatter, so that it is for other evenings, too; where three or more can't rule that out, it is no narrower than one for
other evenings at twice the error would be (90 % for 95 %). <b>Between sessions</b>: judged by how much sessions differ
among themselves, each weighing the same where one has more than four times the weight of another. <b>Not told
apart</b>: one session a level. g is Hedges' effect size: the difference in standard deviations of a shot. p (Holm)
allows for all comparisons of one response. Conditions may scatter differently: of the interval that takes one scatter
for all shots (t) and the one that takes each condition's own (Welch's test) the wider is given where each has three
shots or more, and so of the F tests.
Where the checks fail, that is where their p is below 0.01, it is one that lets every shot scatter by itself (robust t,
HC2), and a bootstrap interval is given where residuals are not normal and the interval is for these evenings.
Covariates spend at most half of the degrees of freedom, and leave four; the most important come first.</p>
"""


def comparison_page(
    comparison: Comparison,
    pictures: Mapping[str, Sequence[tuple[str, str]]],
    *,
    title: str = "Conditions compared",
    about: str = "",
    version: str = "",
) -> str:
    """HTML text. pictures: section title -> (caption, SVG text) in order."""
    c = comparison
    parts = [f"<h1>{_e(title)}</h1>"]
    if about:
        parts.append(f"<p>{_e(about)}</p>")
    parts += [f'<div class="warning" role="note">{_e(line)}</div>' for line in c.warnings]
    parts.append("<h2>Answers</h2>")
    short = in_short(c.contrasts, c.responses, c.settings)
    if len(short):
        parts.append(_short(short))
        parts.append(f"<p><small>In brackets {percent(c.settings.level)} % intervals; of what can't be told from the "
                     "evening, for these sessions only.</small></p>")
    for r in c.responses:
        parts.append(_answers(c, r.name, r.label))
    if not c.answers:
        parts.append("<p>Nothing could be compared; the counts and notes say why.</p>")
    parts += [f'<div class="note">{_e(line)}</div>' for line in c.lines]
    parts.append("<h2>Shots counted and left out</h2>")
    counted, shots = int(c.counts["counted"].sum()), int(c.counts["shots"].sum())
    parts.append(f"<p>{counted} of {shots} shots are counted.</p>")
    parts.append(_figures(pictures.get("counts", ())))
    parts.append(_table(c.counts))
    for r in c.responses:
        figures = pictures.get(r.name, ())
        rows = c.contrasts[c.contrasts["response"] == r.name] if len(c.contrasts) else c.contrasts
        if rows.empty:
            continue
        parts.append(f"<h2>{_e(_capital(r.label))}</h2>")
        parts.append(_figures(figures))
        parts.append("<h3>Differences, raw and adjusted side by side</h3>")
        parts.append(_table(_readable(rows, c.settings.level)))
        parts.append("<h3>Means</h3>")
        parts.append(_table(_of(c.means, r.name)))
    parts.append("<h2>On the table</h2>")
    parts.append(_figures(pictures.get("table", ())))
    parts.append("<h2>How it was compared</h2>")
    parts.append(_HOW.replace("EQUAL_HITS", ",".join(EQUAL_HITS)).replace("FOR_THE_AIM", FOR_THE_AIM))
    for name, table in (
        ("Tests of each condition", c.terms),
        ("Covariates", c.covariates),
        ("Checks of the assumptions", c.diagnostics),
        ("Scatter of shots and of sessions", c.scatter),
    ):
        if len(table):
            parts.append(f"<h3>{name}</h3>")
            parts.append(_table(table))
    if version:
        parts.append(f"<p><small>Made by reboundry {_e(version)}.</small></p>")
    body = "\n".join(parts)
    return (
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{_e(title)}</title><style>{_STYLE}</style></head><body>\n{body}\n</body></html>\n"
    )


def _answers(c: Comparison, response: str, label: str) -> str:
    if c.contrasts.empty:
        return ""
    rows = c.contrasts[(c.contrasts["response"] == response)]
    if rows.empty:
        return ""
    # the others are in the table, or many of a kind that can't be estimated
    shown = [row for _, row in rows.iterrows()
             if row["answer"] and (row["main"] or (row["stratum"] != ALL and row["basis"] != "not told apart"))]
    beside = {str(row["not_adjusted"] or "") for row in shown if row["main"]}
    once = beside.pop() if len(beside) == 1 else ""  # what is true of all answers is said once below them
    out = [f"<h3>{_e(_capital(label))}</h3><ul class='answers'>"]
    for row in shown:
        first, *more = _SENTENCE.split(str(row["answer"]).removesuffix(f" {once}" if once else ""), maxsplit=1)
        head = f"<b>{_e(first)}</b>" if row["main"] else _e(first)
        out.append(f"<li>{' '.join([head, *map(_e, more)])}</li>")
    return "".join([*out, "</ul>", f"<p>{_e(once)}</p>" if once else ""])


def _readable(rows: pd.DataFrame, level: float) -> pd.DataFrame:
    """The contrasts table for people: intervals in one cell."""
    shown = f"{percent(level)} %"
    read = [
        ", ".join(str(w) for w in (r["basis"], r["method"]) if w) + (f", {r['df']:.3g} df" if r["df"] > 0 else "")
        for _, r in rows.iterrows()
    ]
    out = pd.DataFrame(
        {
            "pattern, speed": rows["stratum"],
            "difference": rows["factor"] + ": " + rows["b"] + " − " + rows["a"],
            "at": rows["at"],
            "raw": rows["raw_diff"],
            f"raw {shown}": [_interval(r, "raw") for _, r in rows.iterrows()],
            "n": rows["raw_n"],
            "adjusted": rows["adjusted_diff"],
            f"adjusted {shown}": [_interval(r, "adjusted") for _, r in rows.iterrows()],
            "n ": rows["adjusted_n"],
            "read": read,
            "p (Holm)": rows["p_holm"],
            "g": rows["g"],
            "p equivalent": rows["equivalence_p"],
            "with mis-hits": rows["with_mishits"],
        }
    )
    if len(set(rows["stratum"])) == 1:
        out = out.drop(columns="pattern, speed")
    out = out.loc[:, out.notna().any() & (out.astype("string").fillna("") != "").any()]
    if rows["boot_low"].notna().any():
        out["bootstrap"] = [
            f"{_number(r['boot_low'])} to {_number(r['boot_high'])}" if math.isfinite(r["boot_low"]) else ""
            for _, r in rows.iterrows()
        ]
    return out


def _interval(row: pd.Series, kind: str) -> str:
    if not math.isfinite(row[f"{kind}_diff"]):
        return ""
    low, high = row[f"{kind}_low"], row[f"{kind}_high"]
    if math.isfinite(low) and math.isfinite(high):
        return f"{_number(low)} to {_number(high)}"
    here = f"{_number(row[f'{kind}_here_low'])} to {_number(row[f'{kind}_here_high'])}"
    return f"unbounded (these sessions: {here})"


def _of(table: pd.DataFrame, response: str) -> pd.DataFrame:
    rows = table[table["response"] == response].drop(columns="response")
    rows = rows.dropna(axis=1, how="all")
    if len(set(rows["stratum"])) == 1:
        rows = rows.drop(columns="stratum")
    return rows.loc[:, (rows.astype("string").fillna("") != "").any()]


def _figures(figures: Sequence[tuple[str, str]]) -> str:
    out = []
    for caption, text in figures:
        data = base64.b64encode(text.encode("utf-8")).decode("ascii")
        out.append(
            f'<figure><img alt="{_e(caption)}" src="data:image/svg+xml;base64,{data}">'
            f"<figcaption>{_e(caption)}</figcaption></figure>"
        )
    return "".join(out)


def _short(rows: pd.DataFrame) -> str:
    """The table of `in_short`, narrow enough for a phone: a group of rows a difference, and the first line of each
    answer stands out."""
    columns = list(rows.columns[list(rows.columns).index("measure") :])
    head = "".join(f'<th scope="col">{_e(name)}</th>' for name in columns)
    parts = []
    named = ["pattern, speed", "difference"] if "pattern, speed" in rows else ["difference"]
    for names, group in rows.groupby(named, sort=False):
        title = _e(_capital(": ".join(map(str, names))))
        parts.append(f'<tbody><tr><th class="group" scope="rowgroup" colspan="{len(columns)}">{title}</th></tr>')
        for measure, *cells in group[columns].itertuples(index=False):
            parts.append(f'<tr><th scope="row">{_e(measure)}</th>')
            for text in cells:
                first, *more = map(_e, str(text).split("\n"))
                parts.append("<td>" + "<br>".join([f"<b>{first}</b>", *more]) + "</td>")
            parts.append("</tr>")
        parts.append("</tbody>")
    table = f'<table class="short"><thead><tr>{head}</tr></thead>{"".join(parts)}</table>'
    return f'<div class="wide">{table}</div>'


def _table(rows: pd.DataFrame) -> str:
    head = "".join(f"<th>{_e(str(c).replace('_', ' '))}</th>" for c in rows.columns)
    body = []
    for _, row in rows.iterrows():
        cells = [
            f'<td class="number">{_e(_number(v))}</td>' if _is_number(v) else f"<td>{_e(_text(v))}</td>" for v in row
        ]
        body.append(f"<tr>{''.join(cells)}</tr>")
    return f'<div class="wide"><table><thead><tr>{head}</tr></thead><tbody>{"".join(body)}</tbody></table></div>'


def _is_number(value: object) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool)


def _number(value: float) -> str:
    if isinstance(value, int) or float(value).is_integer():
        return f"{value:.0f}"
    if not math.isfinite(value):
        return "" if math.isnan(value) else "∞" if value > 0 else "−∞"
    if abs(value) < 0.0001:
        return "0.0000" if value > 0 else "−0.0000"
    return (f"{value:.3g}" if abs(value) < 999.5 else f"{value:.0f}").replace("-", "−")  # never 1e+03


def _text(value: object) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return "" if value is None or value is pd.NA or value != value else str(value)


def _e(text: object) -> str:
    return html.escape(str(text))


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
