"""The page in a real browser: play, step, a kill, measuring again."""

from __future__ import annotations

import csv
import json
import re
from pathlib import Path

import pandas as pd
import pytest

from tests.review.from_truth import session_from_truth
from tests.review.looking import CLIPS, choose
from tests.review.serving import hosting, serving

looks = pytest.mark.xdist_group("page that is looked at")  # one page for all of them


@pytest.fixture(scope="module")
def shared(tmp_path_factory):
    """A page for the tests that decide nothing."""
    with serving(session_from_truth(tmp_path_factory.mktemp("page") / "evening", CLIPS)) as running:
        yield running


def frame_on_show(page) -> int:
    return int(page.get_attribute("#picture", "data-frame"))


def wait_for_frame(page, frame: int) -> None:
    page.wait_for_function("f => document.getElementById('picture').dataset.frame === String(f)", arg=frame)


@looks
def test_stepping_and_jumping_show_exact_frames(shared, opened):
    truth = json.loads((Path(__file__).parents[2] / "fixtures/evenings/eveningA/eveningA_01.truth.json").read_text())
    times = truth["timestamps"]
    page = opened(shared.address)
    choose(page, "clean")
    strike = min(range(len(times)), key=lambda i: abs(times[i] - truth["shots"][0]["strike_s"]))
    wait_for_frame(page, strike)
    page.keyboard.press("ArrowRight")
    wait_for_frame(page, strike + 1)
    page.keyboard.press("ArrowLeft")
    page.keyboard.press("ArrowLeft")
    wait_for_frame(page, strike - 1)
    hit = min(range(len(times)), key=lambda i: abs(times[i] - truth["shots"][0]["ball_contact"]["t"]))
    page.keyboard.press("Shift+ArrowRight")
    page.keyboard.press("Shift+ArrowRight")
    wait_for_frame(page, hit)


@looks
def test_playing_moves_on_in_slow_motion_and_the_path_is_drawn_on_the_ball(shared, opened):
    page = opened(shared.address)
    choose(page, "clean")
    first = frame_on_show(page)
    page.keyboard.press("1")
    page.keyboard.press("Space")
    page.wait_for_function("f => Number(document.getElementById('picture').dataset.frame) > f + 5", arg=first)
    page.wait_for_function("() => document.getElementById('play').textContent === 'Play'")  # stops at the curtain
    # at the curtain the object ball stands at its cushion: under the drawn ring there is the orange ball
    orange = page.evaluate("""() => {
        const canvas = document.getElementById('picture');
        const data = canvas.getContext('2d').getImageData(0, 0, canvas.width, canvas.height).data;
        let n = 0;
        for (let i = 0; i < data.length; i += 4) n += data[i] > 180 && data[i + 1] < 150 && data[i + 2] < 90;
        return n;
    }""")
    assert orange > 80


@looks
def test_a_value_and_its_uncertainty_are_shown_to_the_same_place(shared, opened):
    page = opened(shared.address)
    choose(page, "clean")
    rows = page.evaluate("""() => [...document.querySelectorAll('#numbers-card tr:not(.part)')]
        .map((row) => [...row.cells].slice(1).map((cell) => cell.textContent))""")
    rows += [cell.split(" ± ") for cell in page.locator("#verdict td.value").all_inner_texts()]
    assert len(rows) > 10

    def places(words: str) -> int:
        return len(re.search(r"\d+\.?(\d*)", words).group(1))

    assert [row for row in rows if places(row[0]) != places(row[1])] == []
    assert [row for row in rows if not re.search("[1-9]", row[1])] == []  # never "± 0.00"


def test_a_kill_in_the_middle_loses_no_decision(session, opened):
    with serving(session) as running:
        page = opened(running.address)
        choose(page, "clean")
        page.keyboard.press("a")
        page.wait_for_selector("#accept[aria-pressed=true]")
        running.kill()
        choose_other = page.locator("#shot-list button:has(.mark.mishit)").first
        choose_other.click()
        page.wait_for_selector("#message:has-text('does not answer')")
    with serving(session) as running:
        page = opened(running.address)
        page.wait_for_selector("#progress:has-text('1 of 2 decided')")
        choose(page, "clean")
        page.wait_for_selector("#accept[aria-pressed=true]")
    with (session / "measured" / "shots.csv").open() as file:
        kept = {row["shot_id"]: row["review"] for row in csv.DictReader(file)}
    assert kept["eveningA_01-01"] == "accept"


@looks
def test_a_frame_on_its_way_is_asked_for_again_and_not_shown_as_dark(shared, opened):
    page = opened(shared.address)
    late = []

    def not_yet(route):
        late.append(route.request.url)
        route.fulfill(status=503, body="on its way")

    page.route("**/frame/*.jpg?*", not_yet, times=8)
    choose(page, "mishit")
    assert len(late) == 8
    cloth = page.evaluate("""() => {
        const canvas = document.getElementById('picture');
        return [...canvas.getContext('2d').getImageData(canvas.width / 2, canvas.height / 2, 1, 1).data];
    }""")
    assert cloth[:3] != [18, 48, 42]  # what is shown where there is no picture


def test_measuring_again_uses_the_corrected_corners_and_keeps_the_decisions(tmp_path, opened):
    session = session_from_truth(tmp_path / "evening", ["eveningA_01"])
    with serving(session) as running:
        page = opened(running.address)
        choose(page, "clean")
        page.keyboard.press("r")
        page.wait_for_selector("#reject[aria-pressed=true]")
        page.click("#view-corners")
        page.wait_for_selector("#corner-numbers:has-text('Sights seen')")
        page.locator(".handle").first.focus()
        page.keyboard.press("Alt+ArrowLeft")
        page.click("#corner-save")
        page.wait_for_selector("#corner-state:has-text('Saved for')")
        page.click("#measure-again")
        page.wait_for_selector("#corner-state:has-text('Measured again')", timeout=120_000)
        page.click("#view-shots")
        page.wait_for_selector("#reject[aria-pressed=true]")
    record = json.loads((session / "measured" / "calibration.json").read_text())
    assert "corners given" in json.dumps(record)
    with (session / "measured" / "shots.csv").open() as file:
        (row,) = csv.DictReader(file)
    assert (row["review"], row["reviewer"], row["counted"]) == ("reject", "reviewer", "False")


def test_nothing_runs_off_the_side_of_desk_tablet_or_telephone(tmp_path, opened):
    """Eight shots: on a narrow window their row is wider than the page and scrolls by itself."""
    session = session_from_truth(tmp_path / "evening", CLIPS)
    for name, at in (("shots.csv", "start_s"), ("contacts.csv", "t_s")):
        once = pd.read_csv(session / "measured" / name)
        more = [once.assign(shot_id=once["shot_id"].str[:-1] + str(n), **{at: once[at] + n}) for n in (2, 3, 4)]
        pd.concat([once, *more]).to_csv(session / "measured" / name, index=False)
    with hosting(session) as running:
        page = opened(running.address, has_touch=True)
        assert page.locator("#shot-list button").count() == 8
        for width, height in ((1440, 1000), (1024, 768), (820, 1180), (390, 844)):
            page.set_viewport_size({"width": width, "height": height})
            assert page.evaluate("() => document.documentElement.scrollWidth") <= width
            for name in ("accept", "reject", "play"):
                assert page.locator(f"#{name}").bounding_box()["height"] >= 40  # a finger's width
        page.click("#view-corners")
        page.wait_for_selector("#corner-numbers:has-text('found in the picture by')")
        for width, height in ((390, 844), (820, 1180), (1024, 768), (1440, 1000)):
            page.set_viewport_size({"width": width, "height": height})
            assert page.evaluate("() => document.documentElement.scrollWidth") <= width
            card = page.locator("#corner-numbers").bounding_box()
            for box in (cell.bounding_box() for cell in page.locator("#corner-numbers td").all()):
                assert box["x"] + box["width"] <= card["x"] + card["width"]


@looks
def test_every_control_has_a_name_and_the_colours_enough_contrast(shared, opened):
    page = opened(shared.address)
    nameless = page.evaluate("""() => [...document.querySelectorAll('button, input, select, canvas, svg[role=img]')]
        .filter((e) => e.offsetParent !== null || e.tagName === 'svg')
        .filter((e) => !(e.getAttribute('aria-label') || e.getAttribute('aria-labelledby') || e.textContent.trim()
                         || e.labels?.length))
        .map((e) => e.outerHTML.slice(0, 80))""")
    assert nameless == []
    for scheme in ("light", "dark"):
        page.emulate_media(color_scheme=scheme)
        ratios = page.evaluate(CONTRAST)
        assert min(ratios.values()) >= 4.5, (scheme, ratios)


#: WCAG 2.x contrast of text colours against their backgrounds (W3C, relative luminance)
CONTRAST = """() => {
  const read = (name) => {
    const probe = document.createElement('i');
    probe.style.color = `var(--${name})`;
    document.body.append(probe);
    const rgb = getComputedStyle(probe).color.match(/[\\d.]+/g).slice(0, 3).map(Number);
    probe.remove();
    const [r, g, b] = rgb.map((v) => v / 255).map((v) => (v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4));
    return 0.2126 * r + 0.7152 * g + 0.0722 * b;
  };
  const ratio = (a, b) => { const [x, y] = [read(a), read(b)].sort((p, q) => q - p); return (x + 0.05) / (y + 0.05); };
  const out = {};
  for (const ink of ['ink', 'quiet', 'accept', 'reject', 'unsure'])
    for (const under of ['page', 'card']) out[`${ink}/${under}`] = ratio(ink, under);
  return out;
}"""
