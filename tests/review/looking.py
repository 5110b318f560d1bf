"""What a reviewer does on the page, and what is kept of it."""

from __future__ import annotations

import csv
from collections.abc import Callable
from pathlib import Path
from typing import Any

CLIPS = ["eveningA_01", "eveningA_04"]  # a clean hit and a mis-hit


def choose(page, verdict: str) -> None:
    page.locator(f"#shot-list button:has(.mark.{verdict})").first.click()
    page.wait_for_function("v => document.querySelector('#verdict h2').textContent.includes(v)", arg=verdict)
    page.wait_for_function("() => document.getElementById('picture').dataset.frame")


def sign_in(page, name: str) -> None:
    page.fill("#reviewer", name)
    with page.expect_request(lambda asked: "/frame/" in asked.url and f"reviewer={name}&" in asked.url):
        page.press("#reviewer", "Tab")  # the list and a shot in their order come before the first frame of it
    page.wait_for_selector("#progress:has-text('0 of 2 decided')")


def reviews(session: Path, name: str) -> list[tuple[str, str]]:
    """(shot, decision) of a reviewer, in the order they were taken."""
    with (session / "measured" / "reviews.csv").open() as file:
        return [(row["shot_id"], row["decision"]) for row in csv.DictReader(file) if row["reviewer"] == name]


def to_the_other(page) -> str:
    """The key from the shot that is chosen to the other of two."""
    first = page.locator("#shot-list button").first.get_attribute("aria-current") == "true"
    return "j" if first else "k"


def wait_until(page, holds: Callable[[], object]) -> None:
    """Let the browser go on until something holds on our side, ten seconds at most."""
    for _ in range(200):
        if holds():
            return
        page.wait_for_timeout(50)
    raise AssertionError("it never held")


def hold(page, pattern: str) -> list[Any]:
    """Keep the first that the page asks for at these addresses on its way, until it is let go or thrown away."""
    held: list[Any] = []
    page.route(pattern, lambda route: held.append(route), times=1)
    return held
