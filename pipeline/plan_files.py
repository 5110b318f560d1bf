"""A plan's files: the whole run sheet, a folder ready for each session, and a page to print."""

from __future__ import annotations

import html
import json
import re
from pathlib import Path

import pandas as pd

from pipeline.plan import Plan, PlanSettings, takes_columns
from shared.errors import SettingsError
from shared.files import write_text

_STYLE = """
body { font: 11pt/1.35 system-ui, sans-serif; margin: 1cm; color: #000; }
h1 { font-size: 16pt; } section { break-after: page; }
table { border-collapse: collapse; width: 100%; } th, td { border: 1px solid #555; padding: 3px 6px; text-align: left; }
th { background: #eee; } td.box { width: 1.6em; font-size: 14pt; text-align: center; } td.clip { width: 24%; }
tr { break-inside: avoid; } tr.first td { border-top: 3px solid #000; }
.blank { display: inline-block; border-bottom: 1px solid #000; min-width: 6em; } p { margin: .4em 0; }
"""

#: usual cautions; common practice, no source. Local codes and the owners of room and table decide
_CAUTIONS = (
    "Nothing loose over people or table: a camera overhead needs rated hardware and a second, independent tether to "
    "the structure, never a lamp, its chain, a ceiling grid or a sprinkler pipe; nobody beneath while it goes up. "
    "Ladder a quarter of its height out, three points of contact. Heaters 1 m from anything that burns, straight into "
    "a wall socket, off when nobody is there; humidifiers away from mains and lamps. Ask the table's owner before "
    "changing its air or cloth, let it settle, then check level and calibration again. Local codes come first."
)


def write_plan(out: Path, plan: Plan, settings: PlanSettings, power: pd.DataFrame) -> list[Path]:
    """runsheet.csv, runsheet.html, power.csv, and session-NN/takes.csv with session.toml. Existing sessions are kept.

    Raises SettingsError where a session's folder has a takes.csv already, or ``out`` can't be written.
    """
    for session in plan.sessions:
        if (out / session / "takes.csv").exists():
            raise SettingsError(
                f"{out / session / 'takes.csv'}: is there already, perhaps filled in; give a new --out."
            )
    written = []
    try:
        out.mkdir(parents=True, exist_ok=True)
        for file, table in (("runsheet.csv", plan.rows), ("power.csv", power)):
            if len(table):
                write_text(out / file, table.to_csv(index=False, lineterminator="\n"))
                written.append(out / file)
        write_text(out / "runsheet.html", run_sheet_page(plan, settings))
        written.append(out / "runsheet.html")
        for name, rows in plan.rows.groupby("session", sort=False):
            folder = out / str(name)
            folder.mkdir(exist_ok=True)
            takes = rows.reindex(columns=takes_columns(settings))
            write_text(folder / "takes.csv", takes.to_csv(index=False, lineterminator="\n"))
            write_text(folder / "session.toml", _session_toml(rows, settings))
            written.append(folder / "takes.csv")
    except OSError as error:
        raise SettingsError(
            f"{out}: can't be written to ({error.strerror}); give another folder with --out."
        ) from error
    return written


def _session_toml(rows: pd.DataFrame, settings: PlanSettings) -> str:
    lines = ["[conditions]"]
    for name in settings.hard:
        value = str(rows[name].iloc[0])
        lines.append(f"{_key(name)} = {value if _is_number(value) else json.dumps(value, ensure_ascii=False)}")
    lines.append("# as read in the room; remove the # and fill in")
    lines += [
        f"# {name} = {value}"
        for name, value in (("temperature_c", 24.0), ("humidity_pct", 45))
        if name not in settings.hard and name not in settings.easy
    ]
    return "\n".join(lines) + "\n"


def run_sheet_page(plan: Plan, settings: PlanSettings) -> str:
    """A page a session: conditions to set, a row a shot with boxes to fill in."""
    parts = []
    shown = ["pattern", "target", "speed_class", *settings.easy]
    shown = [c for c in shown if c in plan.rows and plan.rows[c].astype(str).str.strip().ne("").any()]
    for session, rows in plan.rows.groupby("session", sort=False):
        first = rows.iloc[0]
        held = ", ".join(f"<b>{_e(name)} {_e(first[name])}</b>" for name in settings.hard) or "as the room is"
        head = "".join(f"<th>{_e(c.replace('_', ' '))}</th>" for c in shown)
        body = []
        before = 0
        for _, row in rows.iterrows():
            cells = "".join(f"<td>{_e(row[c])}</td>" for c in shown)
            mark = ' class="first"' if row["block"] != before else ""
            before = row["block"]
            body.append(
                f"<tr{mark}><td>{row['order']}</td>{cells}<td class='clip'></td><td class='box'>☐</td>"
                "<td class='box'>☐</td><td></td></tr>"
            )
        blanks = "".join(
            f"{label} <span class='blank'></span> "
            for label in ("Date", "Player", "Start: °C", "% RH", "End: °C", "% RH")
        )
        parts.append(
            f"<section><h1>Run sheet, {_e(session)}</h1><p>For the whole session: {held}.</p><p>{blanks}</p>"
            "<p>Shoot in this order. Repeat nothing: a bad hit is marked and stays; the program judges hits by what it "
            "sees, not by where the ball went. Write the clip's file name as the camera shows it, then copy the names "
            f"into {_e(session)}/takes.csv.</p>"
            f"<table><thead><tr><th>#</th>{head}<th>clip</th><th>shot</th><th>bad hit</th><th>remarks</th></tr></thead>"
            f"<tbody>{''.join(body)}</tbody></table></section>"
        )
    expect = "".join(f"<li>{_e(line)}</li>" for line in plan.lines)
    parts.append(f"<section><h1>What to expect</h1><ul>{expect}</ul><h1>Cautions</h1><p>{_e(_CAUTIONS)}</p></section>")
    return (
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8"><title>Run sheet</title>'
        f"<style>{_STYLE}</style></head><body>{''.join(parts)}</body></html>\n"
    )


def _key(name: str) -> str:
    bare = name.replace("_", "").replace("-", "")
    return name if bare.isalnum() and bare.isascii() else json.dumps(name, ensure_ascii=False)


def _is_number(text: str) -> bool:
    """Whether TOML reads it as the number that it is: not 007, .5 or 1_000, which are quoted."""
    return re.fullmatch(r"[+-]?(0|[1-9][0-9]*)(\.[0-9]+)?", text) is not None


def _e(text: object) -> str:
    return html.escape(str(text))
