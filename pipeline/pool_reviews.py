"""Decisions in a session's reviews.csv that its shots.csv doesn't have, as where the file was put right by hand."""

from __future__ import annotations

from pathlib import Path

from pipeline.csv_tables import read_csv
from pipeline.recordings import recordings_of
from pipeline.review_file import REVIEWS_FILE
from pipeline.reviews import apply_reviews
from shared.errors import SchemaError, SettingsError

_READ = ("shot_id", "clip", "start_s", "review", "reviewer")


def reviews_not_in_shots(place: Path) -> str:
    """What to say of it, to follow the session's name; empty where the two files agree.

    place : where the results are
    """
    if not (place / REVIEWS_FILE).is_file():
        return ""
    try:
        shots = read_csv(place / "shots.csv", "string").fillna("").reset_index(drop=True)
    except (OSError, ValueError, SchemaError):
        return ""  # reading the table tells
    if not set(_READ) <= set(shots.columns):
        return ""  # an older version's: measured again anyhow
    try:
        shots = shots.assign(start_s=shots["start_s"].astype("float64"))
        now = apply_reviews(shots, place, recordings_of(place))
    except SettingsError as error:
        return f"{error} Its decisions are pooled as shots.csv has them."
    except ValueError:
        return ""  # start_s: reading the table tells
    differ = (now["review"].fillna("") != shots["review"]) | (now["reviewer"].fillna("") != shots["reviewer"])
    if not differ.any():
        return ""
    return (f"decisions in {REVIEWS_FILE} and in shots.csv are not the same (shots: {differ.sum()}, "
            f"{shots['shot_id'][differ].iloc[0]} among them); open `reboundry review` or measure again, then pool.")
