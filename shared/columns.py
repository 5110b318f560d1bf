"""Each table's columns: name, type, unit, meaning. One schema per table, used to check rows and to write the data package.

A column with ``uncertain=True`` has ``<name>_u`` beside it: its standard uncertainty (k=1), same unit.

pandas is imported where rows are handled: sessions are found, and workers started, before it is there.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

from shared.errors import SchemaError

if TYPE_CHECKING:
    import pandas as pd

#: dtype words used here -> (pandas dtype, Frictionless Table Schema type)
_TYPES = {
    "number": ("float64", "number"),
    "integer": ("Int64", "integer"),
    "text": ("string", "string"),
    "yes/no": ("boolean", "boolean"),
    "time": ("string", "datetime"),
}

ALL_MEASURES = "all measures: "  # begins the note of a shot that could not be followed
NO_CONTACT = "no cut, throw or spin at a contact"  # ends the note of a shot whose cue ball met no ball on its way


@dataclass(frozen=True)
class Column:
    """One column. ``unit`` is empty for ratios, counts and text. ``words``: those that a cell may hold; none: any."""

    name: str
    kind: str
    unit: str
    meaning: str
    uncertain: bool = False
    words: tuple[str, ...] = ()


@dataclass(frozen=True)
class TableSchema:
    """A table's name and columns, in the order in which they are written."""

    name: str
    title: str
    columns: tuple[Column, ...]

    @cached_property
    def expanded(self) -> tuple[Column, ...]:
        """Columns with each ``_u`` put behind its measure."""
        out: list[Column] = []
        for column in self.columns:
            out.append(column)
            if column.uncertain:
                out.append(Column(f"{column.name}_u", "number", column.unit, f"standard uncertainty (k=1) of {column.name}"))
        return tuple(out)

    @property
    def names(self) -> list[str]:
        return [column.name for column in self.expanded]

    @property
    def dtypes(self) -> dict[str, Any]:
        return {column.name: _TYPES[column.kind][0] for column in self.expanded}

    @property
    def words(self) -> dict[str, tuple[str, ...]]:
        """Of columns whose cells hold one of a few words, those words."""
        return {column.name: column.words for column in self.columns if column.words}

    def empty(self) -> pd.DataFrame:
        """No rows, the right columns and types."""
        import pandas as pd

        return pd.DataFrame({name: pd.Series(dtype=dtype) for name, dtype in self.dtypes.items()})

    def conform(self, rows: pd.DataFrame, extra: tuple[str, ...] = ()) -> pd.DataFrame:
        """Rows with exactly these columns in this order and type; missing ones empty; ``extra`` ones kept at the end."""
        import pandas as pd

        dtypes = self.dtypes
        unknown = [c for c in rows.columns if c not in dtypes and c not in extra]
        if unknown:
            raise SchemaError(f"{self.name}: columns {', '.join(map(str, unknown))} are not in its schema.")
        if not extra and list(map(str, rows.dtypes)) == list(dtypes.values()) and list(rows.columns) == list(dtypes):
            return rows.reset_index(drop=True)  # as it is: most tables pass here twice
        given = dict(rows.items())
        nothing = {dtype: pd.array([None] * len(rows), dtype=dtype) for dtype in dict.fromkeys(dtypes.values())
                   if dtype != "float64"}
        out: dict[str, Any] = {}
        for name, dtype in dtypes.items():
            if name not in given:
                out[name] = nothing.get(dtype, float("nan"))
            else:
                # by their names: pandas' own "str", whose missing values are NaN, claims to equal "string"
                out[name] = given[name] if str(given[name].dtype) == dtype else given[name].astype(dtype)
        out |= {name: given[name] for name in extra if name in given}
        return pd.DataFrame(out, index=rows.index).reset_index(drop=True)

    def resource(self, path: str) -> dict[str, Any]:
        """This table as a Frictionless data resource with its Table Schema."""
        fields = []
        for column in self.expanded:
            field: dict[str, Any] = {"name": column.name, "type": _TYPES[column.kind][1], "description": column.meaning}
            if column.unit:
                field["unit"] = column.unit
            fields.append(field)
        return {"name": self.name, "title": self.title, "path": path, "schema": {"fields": fields, "missingValues": [""]}}


def check_columns(rows: pd.DataFrame, schema: TableSchema) -> None:
    """Raise SchemaError unless ``rows`` has every column of ``schema`` (more are allowed)."""
    missing = [name for name in schema.names if name not in rows.columns]
    if missing:
        raise SchemaError(f"{schema.name}: columns {', '.join(missing)} are missing.")


def join_notes(notes: Iterable[Any], more: Iterable[str]) -> Any:
    """Notes with more of them behind, separated by semicolons."""
    import pandas as pd

    pairs = zip(notes, more, strict=True)
    joined = ["; ".join(part for part in ("" if pd.isna(a) else str(a), b) if part) for a, b in pairs]
    return pd.array([text or None for text in joined], dtype="string")


def why_lost(notes: Any) -> str:
    """Of a shot's ``notes``, why it could not be followed, so that all its measures are empty; "" where it was."""
    parts = notes.split("; ") if isinstance(notes, str) else []
    return next((part.removeprefix(ALL_MEASURES) for part in parts if part.startswith(ALL_MEASURES)), "")


def _c(name: str, kind: str, unit: str, meaning: str, *, u: bool = False, words: tuple[str, ...] = ()) -> Column:
    return Column(name, kind, unit, meaning, u, words)


#: One row per ball-like thing per frame, before identities. Table frame, plane z = R.
DETECTIONS = TableSchema("detections", "Ball centres found in each frame", (
    _c("frame", "integer", "", "index of the frame in decoding order, from 0"),
    _c("t_s", "number", "s", "container time of the frame: middle of the exposure"),
    _c("x_px", "number", "px", "picture of the ball's centre (sphere corrected), x right, displayed picture"),
    _c("y_px", "number", "px", "picture of the ball's centre (sphere corrected), y down"),
    _c("x_mm", "number", "mm", "centre in the table frame, plane z = R"),
    _c("y_mm", "number", "mm", "centre in the table frame, plane z = R"),
    _c("x_u_mm", "number", "mm", "standard uncertainty of x_mm from the outline fit (noise; the calibration's part is kept apart)"),
    _c("y_u_mm", "number", "mm", "standard uncertainty of y_mm from the outline fit"),
    _c("xy_r", "number", "", "correlation of the errors of x_mm and y_mm"),
    _c("blur_x_px", "number", "px", "motion during the exposure, x part (sign arbitrary)"),
    _c("blur_y_px", "number", "px", "motion during the exposure, y part"),
    _c("outline_share", "number", "", "share of the ball's outline that was seen, or, of a faint one, that lies near edges, 0-1"),
    _c("clear_share", "number", "", "share of a ring around the ball that shows plain cloth, 0-1: low where a hand, cue or ball touches"),
    _c("luma", "number", "", "robust mean brightness of the disc, 0-255"),
    _c("cb", "number", "", "mean Cb of the disc minus 128"),
    _c("cr", "number", "", "mean Cr of the disc minus 128"),
    _c("white_share", "number", "", "share of the disc that is bright and colourless, 0-1"),
))

TRACKS = TableSchema("tracks", "Every ball in every frame of a shot", (
    _c("clip", "text", "", "file name of the clip"),
    _c("shot_id", "text", "", "shot the frame belongs to; empty between shots"),
    _c("frame", "integer", "", "index of the frame in decoding order, from 0"),
    _c("t_s", "number", "s", "container time of the frame, set right where frames are missing or shown twice"),
    _c("ball", "text", "", "cue, object, ball-3, ball-4 ..."),
    _c("x_mm", "number", "mm", "ball centre in the table frame, plane z = R"),
    _c("y_mm", "number", "mm", "ball centre in the table frame, plane z = R"),
    _c("x_u_mm", "number", "mm", "standard uncertainty of x_mm"),
    _c("y_u_mm", "number", "mm", "standard uncertainty of y_mm"),
    _c("vx_mps", "number", "m/s", "velocity along x"),
    _c("vy_mps", "number", "m/s", "velocity along y"),
    _c("state", "text", "", "seen, or bridged where the ball was hidden"),
))

CONTACTS = TableSchema("contacts", "What met what, and when", (
    _c("shot_id", "text", "", "clip stem and two-digit number of the shot"),
    _c("n", "integer", "", "number of the event in the shot, from 1, in order of time"),
    _c("t_s", "number", "s", "time of the event in the clip", u=True),
    _c("kind", "text", "", "strike, ball, cushion, jaw, pocket or rest; a jaw is the end of a cushion at a pocket",
       words=("strike", "ball", "cushion", "jaw", "pocket", "rest")),
    _c("ball", "text", "", "the ball it happened to"),
    _c("other", "text", "", "the ball, cushion or pocket it met"),
    _c("x_mm", "number", "mm", "ball centre at the event", u=True),
    _c("y_mm", "number", "mm", "ball centre at the event", u=True),
    _c("sight", "number", "", "place along the cushion in sights", u=True),
    _c("speed_in_mps", "number", "m/s", "speed just before", u=True),
    _c("speed_out_mps", "number", "m/s", "speed just after, if the ball was seen in three frames before its next event", u=True),
    _c("angle_in_deg", "number", "deg", "direction just before: from the cushion normal at a cushion; at a ball from the line of centres, + to its left", u=True),
    _c("angle_out_deg", "number", "deg", "direction just after, same reference; at a cushion negative back on the side it came from", u=True),
))

SHOTS = TableSchema("shots", "One row per shot", (
    _c("shot_id", "text", "", "clip stem and two-digit number of the shot"),
    _c("session", "text", "", "name of the session"),
    _c("clip", "text", "", "file name of the clip"),
    _c("shot", "integer", "", "number of the shot in its clip, from 1"),
    _c("start_s", "number", "s", "the strike"),
    _c("end_s", "number", "s", "all balls at rest or out, or the clip's end"),
    _c("pattern", "text", "", "bank pattern as declared; where none was, the one that matches where the balls lay"),
    _c("speed_class", "text", "", "speed class as declared"),
    _c("player", "text", "", "player as declared"),
    _c("target", "text", "", "target pocket as declared; where none was, the pattern's"),
    # the condition columns stand here: see place_conditions()
    _c("kind", "text", "", "bank: the object ball goes to a cushion; kick: the cue ball itself does first"),
    _c("banked_ball", "text", "", "the ball that incoming, rebound and so on speak of"),
    _c("cue_speed_mps", "number", "m/s", "cue ball just after the strike", u=True),
    _c("cue_impact_speed_mps", "number", "m/s", "cue ball just before it meets the object ball", u=True),
    _c("object_speed_mps", "number", "m/s", "object ball just after", u=True),
    _c("cut_angle_deg", "number", "deg", "cue ball's path to the line of centres at contact; + when the object ball leaves to the left", u=True),
    _c("throw_deg", "number", "deg", "object ball's departure minus the line of centres; + left", u=True),
    _c("cue_roll_ratio", "number", "", "spin carried out of the contact along the incoming path over impact speed: 0 stun, 1 natural roll, negative draw", u=True),
    _c("cue_cross_ratio", "number", "", "the same across the path; + left", u=True),
    _c("cue_side_spin_rps", "number", "1/s", "cue ball's spin about the vertical just before it meets its first ball or cushion, rev/s, + anticlockwise from above; only where marks show it", u=True),
    _c("cue_along_mm", "number", "mm", "cue ball's displacement from the contact to its next event, along its incoming path", u=True),
    _c("cue_across_mm", "number", "mm", "the same across the path; + left", u=True),
    _c("cue_drift_deg", "number", "deg", "cue ball's settled path from the tangent line of a stun hit; empty if it stays within a ball radius or the hit is too full to have a side", u=True),
    _c("rails", "integer", "", "cushions met by the banked ball in the shot, jaws not counted"),
    _c("incoming_angle_deg", "number", "deg", "at the first cushion, from its normal, just before contact", u=True),
    _c("rebound_angle_deg", "number", "deg", "just after contact; negative if it comes back on the side it came from", u=True),
    _c("rebound_settled_angle_deg", "number", "deg", "after sliding has ended: the line a player sees", u=True),
    _c("speed_at_impact_mps", "number", "m/s", "just before the first cushion", u=True),
    _c("rebound_speed_mps", "number", "m/s", "just after the first cushion", u=True),
    _c("rail", "text", "", "which cushion came first"),
    _c("rail_sight", "number", "", "where along it, in sights", u=True),
    _c("rail_s", "number", "s", "when", u=True),
    _c("restitution", "number", "", "normal speed out / in at the first cushion", u=True),
    _c("tangential_ratio", "number", "", "tangential speed out / in at the first cushion", u=True),
    _c("aim_error_deg", "number", "deg", "banked ball's departure minus the pattern's intended line; + left", u=True),
    _c("outcome", "text", "", "pocketed, short, long or empty"),
    _c("pocket", "text", "", "pocket the banked ball fell into"),
    _c("miss_mm", "number", "mm", "arriving path from the target pocket's centre: + long, - short", u=True),
    _c("frames_seen", "number", "", "share of frames in which each ball was really seen"),
    _c("residual_mm", "number", "mm", "rms of the motion fit"),
    _c("calibration_rms_px", "number", "px", "reprojection error of the calibration, rms"),
    _c("verdict", "text", "", "clean, mishit or unusable: the program's, blind to the outcome",
       words=("clean", "mishit", "unusable")),
    _c("reasons", "text", "", "why, separated by semicolons"),
    _c("review", "text", "", "a person's decision: accept or reject", words=("accept", "reject")),
    _c("reviewer", "text", "", "who decided"),
    _c("reviewed_at", "time", "", "when, ISO 8601"),
    _c("counted", "yes/no", "", "what comparisons use: the person's decision where there is one, else verdict = clean"),
    _c("notes", "text", "", "why a cell is empty, and other warnings, separated by semicolons"),
))

#: what a person declares of a shot, besides the conditions
DECLARED = ("pattern", "speed_class", "player", "target")

#: what the derived climate columns are made of, and those columns
CLIMATE = ("temperature_c", "humidity_pct")
DERIVED = ("dew_point_c", "absolute_humidity_gm3")


def declared_name(cell: str) -> str:
    """A column's or key's name as written; those that mean something to us are known in any spelling of case and spaces."""
    plain = re.sub(r"[\s\-]+", "_", cell.strip().lower())
    return plain if plain in ("clip", "shot", *DECLARED, *CLIMATE) else cell.strip()


#: columns that pooling adds to a shot's row, and the one it derives where temperature and humidity are known
POOLED = (
    "shot_key",
    "filmed_with",
    "table",
    "table_length_mm",
    "table_width_mm",
    "corner_mouth_mm",
    "side_mouth_mm",
    "ball_diameter_mm",
    "tool_version",
    "source_sha256",
)
POOLED_DERIVED = "vapour_pressure_hpa"

SPEED_KEPT = "speed_kept_"  # computed from contacts: speed just after the nth cushion over that before the first
IMPACT_ROLL = "impact_roll_ratio"  # computed from speeds: the banked ball's roll as it meets the cushion


def is_ours(name: str) -> bool:
    """Whether a column of shots is declared, measured, added by pooling or worked out by comparing: no condition."""
    known = (*SHOTS.names, *POOLED, "stratum")
    return name in known or name.startswith((SPEED_KEPT, IMPACT_ROLL, "level ")) or name.endswith("_u")


def is_written_by_us(name: str) -> bool:
    """Whether a condition of this name would clash with a column that the program writes, in whatever case."""
    low = name.lower()
    return (is_ours(low) or low in (*DERIVED, POOLED_DERIVED)) and name not in DECLARED


#: after which column of SHOTS the session's own condition columns (and the derived climate columns) are placed
CONDITIONS_AFTER = "target"

FINGERPRINT = TableSchema("table", "What cloth, balls and cushions did to the balls in this session", (
    _c("quantity", "text", "", "rolling_resistance, sliding_friction, ball_restitution, ball_friction, cushion_restitution, "
       "cushion_tangential_ratio, cue_ball_mass; ..._per_mps: its change with normal speed"),
    _c("condition", "text", "", "the condition whose shots alone were used; empty: all shots"),
    _c("cushion", "text", "", "the cushion whose contacts alone were used; empty: all"),
    _c("speed_from_mps", "number", "m/s", "contacts from this normal speed on; empty: all speeds"),
    _c("speed_to_mps", "number", "m/s", "contacts up to this normal speed"),
    _c("angle_from_deg", "number", "deg", "contacts from this incoming angle on; empty: all angles"),
    _c("angle_to_deg", "number", "deg", "contacts up to this incoming angle"),
    _c("value", "number", "", "mean over the contacts, which may differ by more than they are uncertain; empty where these "
       "shots don't tell it, with the why in the note", u=True),
    _c("scatter", "number", "", "standard deviation between contacts beyond their own uncertainty"),
    _c("contacts", "integer", "", "contacts used (for the frictions and the mass: shots)"),
    _c("published_low", "number", "", "published band, lower end"),
    _c("published_high", "number", "", "published band, upper end"),
    _c("flag", "text", "", "where the value lies outside the published band"),
    _c("note", "text", "", "how to read it, or why there is no value"),
))
