"""report.html: one self-contained page to pass on: the session, its set-up, each shot's diagram and numbers."""

from __future__ import annotations

import base64
from collections import Counter
from html import escape
from pathlib import Path
from typing import Any

import pandas as pd

from calibration.store import Calibration
from pipeline.agreement import agreements
from pipeline.condition_words import condition_words, heading, value_words
from pipeline.draw_job import shows_last
from pipeline.measured_session import MeasuredSession, read_measured, session_remarks
from pipeline.recordings import recordings_of
from pipeline.report_clips import clips_told
from pipeline.report_style import STYLE
from pipeline.review_file import read_reviews
from pipeline.reviews import of_recordings, on_shots, standing
from pipeline.work import Work
from shared.columns import DECLARED, SHOTS
from shared.files import tool_version, write_text
from shared.numbers import to_places
from shared.uncertain import with_u

_SHOWN_DECIMALS = {"m/s": 2, "deg": 1, "mm": 0, "1/s": 1, "s": 3}
_UNITS = {"deg": "°", "1/s": " turns/s"}
_SUMMARY = (
    ("cue_impact_speed_mps", "speed at the hit, m/s"), ("cue_roll_ratio", "roll ratio"),
    ("cut_angle_deg", "cut, °"), ("incoming_angle_deg", "in, °"), ("rebound_angle_deg", "out, °"),
    ("rebound_settled_angle_deg", "settled, °"), ("miss_mm", "miss, mm"),
)
_VERDICTS = {"clean": "✓ clean", "mishit": "✕ mishit", "unusable": "? unusable"}
_NOT_MEASURES = frozenset(("start_s", "end_s", "shot", "rails", "frames_seen", "residual_mm", "calibration_rms_px"))


def write_report(measured_dir: Path, *, name: str = "") -> Path:
    """Write ``report.html`` beside a session's results, from its tables, calibration.json and pictures.

    measured_dir : where the results are
    name         : the session's; else as in shots.csv
    returns      : the page's path
    """
    session = read_measured(measured_dir)
    shots = session.shots
    title = name or next(iter(shots["session"].dropna().unique()), session.folder.name)
    parts = [
        _heading(title, shots),
        _conditions(session),
        _setup(session),
        _verdicts(shots),
        _people(session),
        _overview(shots),
        *[_shot(session, row) for row in _rows(shots)],
        _reading(),
    ]
    page = (f'<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n<meta name="viewport" '
            f'content="width=device-width, initial-scale=1">\n<title>{escape(str(title))}: bank shots</title>\n'
            f"<style>{STYLE}</style>\n</head>\n<body>\n<main>\n" + "\n".join(parts) + "\n</main>\n</body>\n</html>\n")
    path = session.out / "report.html"
    write_text(path, page)
    return path


def _heading(title: str, shots: pd.DataFrame) -> str:
    counts = shots["verdict"].value_counts()
    tiles = [("shots", len(shots)), *((word, int(counts.get(word, 0))) for word in _VERDICTS)]
    tiles.append(("counted in comparisons", int(shots["counted"].fillna(False).sum())))
    cells = "".join(f"<div><b>{number}</b><span>{escape(word)}</span></div>" for word, number in tiles)
    return (f"<h1>{escape(str(title))}</h1>\n<p class=quiet>Bank shots measured in overhead video, "
            f"reboundry {escape(tool_version())}. ± is the standard uncertainty (k = 1).</p>\n"
            f"<div class=tiles>{cells}</div>")


def _conditions(session: MeasuredSession) -> str:
    names = session.conditions
    if not names:
        return "<h2>Conditions</h2>\n<p>None were declared. Put them in takes.csv or session.toml to compare.</p>"
    groups = Counter(tuple(value_words(name, row[name]) for name in names) for row in _rows(session.shots))
    rows = [[*cells, str(count)] for cells, count in sorted(groups.items())]
    return "<h2>Conditions</h2>\n" + _table([*map(heading, names), "shots"], rows)


def _setup(session: MeasuredSession) -> str:
    rows = [_setup_row(calibration) for calibration in session.calibrations.values()]
    head = ["clip", "table", "ball", "picture", "camera's height", "calibration fits to", "how"]
    remarks = [f"<p>{escape(line)}</p>" for line in session_remarks(session.out)]
    table = _table(head, rows, kind="setup") if rows else "<p>No clip's table was found.</p>"
    return "\n".join(["<h2>Set-up</h2>", table, *clips_told(session), *remarks])


def _setup_row(calibration: Calibration) -> list[str]:
    table, pose = calibration.table, calibration.pose
    return [
        calibration.clip, f"{table.length_mm:.0f} × {table.width_mm:.0f} mm", f"{table.ball.diameter_mm:.2f} mm",
        f"{pose.width_px} × {pose.height_px}", f"{float(pose.centre_mm[2]) / 1000:.2f} m",
        calibration.rms_words, calibration.how,
    ]


def _verdicts(shots: pd.DataFrame) -> str:
    reasons: Counter[tuple[str, str]] = Counter()
    for row in _rows(shots):
        for reason in {short_reason(r) for r in _split(row["reasons"])}:
            reasons[(_text(row["verdict"]), reason)] += 1
    if not reasons:
        return "<h2>Verdicts and reasons</h2>\n<p>Nothing to say against any shot.</p>"
    rows = [[_VERDICTS.get(word, word), reason, str(count)] for (word, reason), count in sorted(reasons.items())]
    return ("<h2>Verdicts and reasons</h2>\n<p class=quiet>The verdict looks at the hit and the tracking only, never "
            "at where the ball went after its first cushion.</p>\n" + _table(["verdict", "reason", "shots"], rows))


def short_reason(reason: str) -> str:
    """A reason without its numbers: the words before the first colon, doubt kept."""
    head, _, rest = reason.partition(":")
    if head == "uncertain":
        inner, colon, _ = rest.partition(":")
        named = colon and "±" not in inner and len(inner) < 20
        if named:
            return f"uncertain: {inner.strip()}"
        if "does not show" in rest or "would not show" in rest:
            return "uncertain: does not show"
        return f"uncertain: {'measured too vaguely' if 'its uncertainty' in rest else 'near a tolerance'}"
    if not rest:
        return "tracking or a missing measure"
    return head.partition(",")[0]


def _people(session: MeasuredSession) -> str:
    reviews, _ = of_recordings(read_reviews(session.out), recordings_of(session.out))
    stands, _ = on_shots((review for review in standing(reviews) if review.decision != "skip"), session.shots)
    if not stands:
        return ""
    by = Counter((review.reviewer, review.decision) for review in stands)
    seen = sum(not review.blind for review in stands)
    names = sorted({review.reviewer for review in stands})
    rows = [[name, str(by[(name, "accept")]), str(by[(name, "reject")])] for name in names]
    words = [f"<p>{len(stands) - seen} of {len(stands)} decisions were made blind (condition and outcome hidden)"
             f"{'' if not seen else f'; {seen} were not'}.</p>"]
    for pair in agreements(stands):
        kappa = "not defined" if pair.kappa is None else f"{pair.kappa:.2f}"
        words.append(f"<p>{escape(pair.first)} and {escape(pair.second)} agree on {pair.agreed} of {pair.shots} "
                     f"shots; Cohen's kappa {kappa}.</p>")
    table = _table(["reviewer", "accepted", "rejected"], rows)
    return "\n".join(["<h2>People's decisions</h2>", table, *words])


def _overview(shots: pd.DataFrame) -> str:
    rows = []
    for row in _rows(shots):
        name = _text(row["shot_id"])
        cells = [_cell(row, column) for column, _ in _SUMMARY]
        link = f'<a href="#{escape(name)}">{escape(name)}</a>'
        review = _text(row["review"])
        rows.append([link, _verdict_tag(row), escape(review), *cells])
    head = ["shot", "verdict", "person", *(escape(label) for _, label in _SUMMARY)]
    return "<h2>All shots</h2>\n" + _table(head, rows, raw=True)


def _shot(session: MeasuredSession, row: dict[str, Any]) -> str:
    name = _text(row["shot_id"])
    declared = [f"{heading(n)} {_text(row[n])}" for n in DECLARED if _text(row[n])]
    declared += condition_words(row, session.conditions).values()
    about = ", ".join([_text(row["kind"]) or "no bank or kick", *declared])
    reasons = "".join(f"<li>{escape(reason)}</li>" for reason in _split(row["reasons"]))
    notes = "".join(f"<li>{escape(note)}</li>" for note in _split(row["notes"]))
    picture = _picture(session.out, _text(row["clip"]), name)
    outcome = ", ".join(part for part in (_text(row["outcome"]), _text(row["pocket"])) if part)
    return "\n".join([
        f'<section class=shot id="{escape(name)}">',
        f"<h2>{escape(name)} {_verdict_tag(row)}</h2>",
        f"<p>{escape(about)}{f'; {escape(outcome)}' if outcome else ''}</p>",
        f"<ul>{reasons}</ul>" if reasons else "",
        picture,
        _measures(row),
        f"<details><summary>Notes</summary><ul>{notes}</ul></details>" if notes else "",
        "</section>",
    ])


def _measures(row: dict[str, Any]) -> str:
    rows = []
    for column in SHOTS.columns:
        if column.kind != "number" or column.name in _NOT_MEASURES:
            continue
        value = row.get(column.name)
        if value is not None and not pd.isna(value):
            unit = _UNITS.get(column.unit, f" {column.unit}" if column.unit else "")
            label = f'<span title="{escape(column.meaning)}">{escape(_plain_name(column.name, column.unit))}</span>'
            rows.append([label, f"{_cell(row, column.name)}{unit}"])
    return _table(["measure", "value"], rows, raw=True, kind="numbers") if rows else ""


def _plain_name(name: str, unit: str) -> str:
    if name == "rail_s":
        return "time of the first cushion"
    ending = {"m/s": "_mps", "deg": "_deg", "mm": "_mm", "1/s": "_rps", "s": "_s"}.get(unit, "")
    return name.removesuffix(ending).replace("_", " ")


def _picture(out: Path, clip: str, name: str) -> str:
    """The shot's diagram inside the page; not one of an earlier measuring that could not be removed."""
    path, entry = out / "pictures" / f"{Path(name).name}.png", Work(out / ".work").entry(Path(clip))
    if not path.is_file() or not shows_last(entry):
        return "<p class=quiet>No diagram was drawn of this shot.</p>"
    data = base64.b64encode(path.read_bytes()).decode()
    return f'<img src="data:image/png;base64,{data}" alt="Table from above with the paths of shot {escape(name)}">'


def _reading() -> str:
    return """<h2>How to read this</h2>
<dl>
<dt>In, out, settled</dt><dd>angles at the first cushion from its normal: just before, just after, and once the ball
rolls again: the line a player sees.</dd>
<dt>Roll ratio</dt><dd>the spin that the cue ball carries out of the hit, along its path, over its speed: 0 stun, 1
natural roll, below 0 draw.</dd>
<dt>Cut, throw</dt><dd>from the cue ball's path to the line of centres; from the line of centres to the object ball's
departure. + when the object ball leaves to the left.</dd>
<dt>Miss</dt><dd>where the path arrives, from the target pocket's centre: + long, − short.</dd>
<dt>Clean, mishit, unusable</dt><dd>the program's judgement of the hit and the tracking. A person's decision is kept
apart; where there is one it counts.</dd>
</dl>"""


def _table(head: list[str], rows: list[list[str]], *, raw: bool = False, kind: str = "") -> str:
    show = (lambda cell: cell) if raw else escape
    top = "".join(f"<th scope=col>{show(cell)}</th>" for cell in head)
    body = "\n".join("<tr>" + "".join(f"<td>{show(cell)}</td>" for cell in row) + "</tr>" for row in rows)
    table = f'<table class="{kind}"><thead><tr>{top}</tr></thead><tbody>\n{body}\n</tbody></table>'
    return f'<div class="wide">{table}</div>'


def _cell(row: dict[str, Any], name: str) -> str:
    value, uncertainty = row.get(name), row.get(f"{name}_u")
    if value is None or pd.isna(value):
        return ""
    if uncertainty is not None and pd.notna(uncertainty):
        return with_u(float(value), float(uncertainty)).replace("-", "−")
    column = next(c for c in SHOTS.columns if c.name == name)
    return to_places(float(value), _SHOWN_DECIMALS.get(column.unit, 2))


def _verdict_tag(row: dict[str, Any]) -> str:
    verdict = _text(row["verdict"])
    return f'<span class="tag {escape(verdict)}">{escape(_VERDICTS.get(verdict, verdict))}</span>'


def _split(cell: Any) -> list[str]:
    return [part.strip() for part in _text(cell).split(";") if part.strip()]


def _text(value: Any) -> str:
    return value if isinstance(value, str) else ""


def _rows(shots: pd.DataFrame) -> list[dict[str, Any]]:
    return [{str(k): v for k, v in row.items()} for row in shots.to_dict("records")]
