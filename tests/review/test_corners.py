"""Corners moved on the page: the sights follow, they are saved, and never lost in silence: not to Measure again, a
reload, another clip or another tab.
"""

from __future__ import annotations

import json
import shutil
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest

from shared.files import file_sha256
from tests.review.from_truth import session_from_truth
from tests.review.looking import CLIPS, hold, wait_until
from tests.review.serving import ask, serving

pytestmark = pytest.mark.xdist_group("page whose corners are moved")  # one page for all of them

LEFT = "Shift+ArrowLeft"


@pytest.fixture(scope="module")
def kept(tmp_path_factory):
    """A session whose page is open for all tests here; each begins with nothing saved."""
    session = session_from_truth(tmp_path_factory.mktemp("corners") / "evening", CLIPS)
    with serving(session) as running:
        yield session / "measured" / "corners.json", running.address


@pytest.fixture
def corners(kept):
    kept[0].unlink(missing_ok=True)
    return kept


def look(page, clip: int, words: str = "As found in the picture.") -> None:
    page.click("#view-corners")
    page.wait_for_selector("#corner-numbers:has-text('Sights seen')")
    page.select_option("#corner-clip", index=clip)
    told(page, words)


def told(page, words: str) -> None:
    page.wait_for_selector(f"#corner-state:has-text('{words}')")


def move(page, key: str = LEFT) -> None:
    page.locator(".handle").first.focus()
    page.keyboard.press(key)
    told(page, "Changed, not saved.")


def saved(file: Path) -> dict[str, list[list[float]]]:
    return json.loads(file.read_text())["corners_px"]


def test_corners_are_dragged_the_sights_follow_and_the_correction_is_saved(corners, opened):
    file, address = corners
    page = opened(address)
    page.click("#view-corners")
    page.wait_for_selector("#corner-numbers:has-text('Sights seen')")
    sound = page.inner_text("#corner-numbers")
    assert "18 of 18" in sound
    handle = page.locator(".handle").first
    box = handle.bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + 15, y - 9, steps=4)
    assert page.is_visible("#loupe")
    page.mouse.up()
    page.wait_for_function("before => document.getElementById('corner-numbers').textContent !== before",
                           arg=page.evaluate("() => document.getElementById('corner-numbers').textContent"))
    moved = handle.bounding_box()
    assert abs(moved["x"] - box["x"] - 15) < 2
    handle.focus()
    with page.expect_response("**/api/clip/0/preview"):
        for _ in range(8):
            page.keyboard.press("ArrowLeft")
    page.click("#corner-save")
    page.wait_for_selector("#corner-state:has-text('Saved for this clip')")
    kept = json.loads(file.read_text())["corners_px"]
    assert list(kept) == ["eveningA_01.mp4"]
    page.click("#corner-find")
    page.wait_for_selector("#corner-state:has-text('As found')")
    page.click("#corner-save")
    page.wait_for_selector("#corner-state:has-text('Saved for')")
    assert json.loads(file.read_text())["corners_px"] == {}


def test_saving_a_clip_saves_what_is_shown_of_this_clip(corners, opened):
    """Looking for the table of one clip takes no correction of another back; no clip is saved before it is there."""
    file, address = corners
    page = opened(address)
    page.click("#view-corners")
    page.wait_for_selector("#corner-numbers:has-text('Sights seen')")
    page.locator(".handle").first.focus()
    page.keyboard.press("ArrowLeft")
    page.click("#corner-save")
    page.wait_for_selector("#corner-state:has-text('Saved for')")
    by_hand = json.loads(file.read_text())["corners_px"]
    page.select_option("#corner-clip", index=1)
    page.wait_for_selector("#corner-state:has-text('As found in the picture.')")
    with page.expect_response("**/api/clip/1/preview"):
        page.click("#corner-find")
    held = hold(page, "**/api/clip/0/corners")
    page.select_option("#corner-clip", index=0)
    wait_until(page, lambda: held)
    sent = []
    page.on("request", lambda request: sent.append(request.method))
    page.click("#corner-save")  # nothing to save yet
    page.wait_for_timeout(200)
    assert "POST" not in sent
    held[0].continue_()
    page.wait_for_selector("#corner-state:has-text('Corrected by hand')")
    page.click("#corner-save")  # nor is what is saved already
    page.wait_for_selector("#corner-state:has-text('nothing to save')")
    assert "POST" not in sent
    assert list(by_hand) == ["eveningA_01.mp4"]
    kept = json.loads(file.read_text())["corners_px"]
    np.testing.assert_allclose(kept["eveningA_01.mp4"], by_hand["eveningA_01.mp4"], atol=0.01)


def test_the_clip_named_is_the_clip_on_show_after_a_decision(corners, opened):
    file, address = corners
    page = opened(address)
    page.click("#view-corners")
    page.wait_for_selector("#corner-numbers:has-text('Sights seen')")
    page.select_option("#corner-clip", index=1)
    page.wait_for_selector("#corner-state:has-text('As found in the picture.')")
    page.click("#view-shots")
    page.keyboard.press("a")
    page.wait_for_selector("#accept[aria-pressed=true]")
    page.click("#view-corners")
    page.wait_for_selector("#corner-state:has-text('As found in the picture.')")
    assert page.evaluate("() => document.getElementById('corner-clip').selectedOptions[0].textContent"
                         ) == "eveningA_04.mp4"
    page.locator(".handle").first.focus()
    page.keyboard.press("ArrowLeft")
    page.click("#corner-save")
    page.wait_for_selector("#corner-state:has-text('Saved for')")
    assert list(json.loads(file.read_text())["corners_px"]) == ["eveningA_04.mp4"]


def test_corners_not_saved_yet_are_still_there_after_a_look_at_the_shots(corners, opened):
    page = opened(corners[1])
    page.click("#view-corners")
    page.wait_for_selector("#corner-numbers:has-text('Sights seen')")
    handle = page.locator(".handle").first
    handle.focus()
    page.keyboard.press("Shift+ArrowLeft")
    moved = handle.bounding_box()
    page.click("#view-shots")
    page.click("#view-corners")
    page.wait_for_timeout(500)
    assert page.inner_text("#corner-state") == "Changed, not saved."
    assert handle.bounding_box() == moved


def test_a_corner_moved_by_a_pixel_is_previewed_and_can_be_looked_at_again_once_saved(corners, opened):
    page = opened(corners[1])
    page.click("#view-corners")
    page.wait_for_selector("#corner-numbers:has-text('Corners fit to')")
    page.locator(".handle").first.focus()
    page.keyboard.press("ArrowRight")
    page.wait_for_selector("#corner-numbers:has-text('corners by hand: no residual')")
    assert page.is_visible("#corner-numbers:has-text('Sights miss by')")
    page.click("#corner-save")
    page.wait_for_selector("#corner-state:has-text('Saved for')")
    page.click("#view-shots")
    page.click("#view-corners")
    page.wait_for_selector("#corner-state:has-text('Corrected by hand')")
    assert page.is_visible("#corner-numbers:has-text('corners by hand: no residual')")
    assert page.is_hidden("#message")


@contextmanager
def another_recording(clip: Path) -> Iterator[None]:
    """While the block lasts, the clip's name has the other clip's recording."""
    away = clip.with_suffix(".away")
    clip.rename(away)
    shutil.copy(clip.with_name("eveningA_04.mp4"), clip)
    try:
        yield
    finally:
        away.replace(clip)


def test_measuring_again_is_refused_while_corners_are_changed_and_not_saved(corners, opened):
    file, address = corners
    page = opened(address)
    look(page, 1)
    move(page)
    look(page, 0)
    page.click("#measure-again")
    told(page, "Not measured: the corners of eveningA_04.mp4 are changed, not saved.")
    assert json.loads(ask(f"{address}api/measure")[1]) == {"running": False, "runs": 0, "words": ""}
    look(page, 1, "Changed, not saved.")
    page.click("#corner-back")
    told(page, "As found in the picture.")
    page.route("**/api/measure", lambda route: route.fulfill(status=400, json={"problem": "asked to measure"}))
    page.click("#measure-again")
    page.wait_for_selector("#message:has-text('asked to measure')")
    assert not file.exists()


def test_what_was_moved_is_still_there_after_another_clip_and_can_then_be_saved(corners, opened):
    file, address = corners
    page = opened(address)
    look(page, 0)
    move(page)
    place = page.locator(".handle").first.bounding_box()
    look(page, 1)
    assert page.locator(".handle").first.bounding_box() != place
    look(page, 0, "Changed, not saved.")
    page.wait_for_selector("#corner-numbers:has-text('corners by hand: no residual')")
    assert page.locator(".handle").first.bounding_box() == place
    page.click("#corner-save")
    told(page, "Saved for this clip.")
    page.click("#corner-find")
    told(page, "Save to take a correction back.")
    look(page, 1)
    look(page, 0, "Save to take a correction back.")
    page.click("#corner-save")
    told(page, "Saved for this clip.")
    assert saved(file) == {}


def test_the_browser_asks_before_it_leaves_a_page_with_unsaved_corners_and_only_then(corners, opened):
    page = opened(corners[1])
    asked: list[str] = []

    def stay(dialog):
        asked.append(dialog.type)
        dialog.dismiss()

    page.on("dialog", stay)
    look(page, 0)
    page.reload()
    page.wait_for_selector("body[data-ready=yes]")
    assert asked == []
    look(page, 0)
    move(page)
    with pytest.raises(pytest.importorskip("playwright.sync_api").Error):  # it stays
        page.reload(timeout=3000)
    assert asked == ["beforeunload"]
    told(page, "Changed, not saved.")


def test_corners_that_were_not_touched_are_not_saved_as_given_by_hand(corners, opened):
    file, address = corners
    page = opened(address)
    look(page, 0)
    page.click("#corner-save")
    told(page, "Nothing changed, nothing to save.")
    with page.expect_response("**/api/clip/0/preview"):
        page.click("#corner-find")
    page.click("#corner-save")
    told(page, "Nothing changed, nothing to save.")
    assert not file.exists()


@pytest.mark.parametrize("button", ["#corner-save", "#corner-save-all"])
def test_what_another_tab_saved_meanwhile_is_not_overwritten(corners, opened, button):
    file, address = corners
    first, second = opened(address), opened(address)
    for page in (first, second):
        look(page, 0)
    move(first)
    first.click("#corner-save")
    told(first, "Saved for this clip.")
    before = saved(file)
    move(second, "Shift+ArrowRight")
    second.click(button)
    told(second, "Not saved: in another window or tab, other corners were saved meanwhile")
    assert saved(file) == before
    second.click("#corner-back")
    told(second, "Corrected by hand.")
    move(second, "Shift+ArrowRight")
    second.click(button)
    told(second, "Saved for")
    assert saved(file)["eveningA_01.mp4"][0][0] == pytest.approx(before["eveningA_01.mp4"][0][0] + 10)


def test_one_tab_saves_clip_after_clip_in_any_order(corners, opened):
    """What this tab saved itself is no other's: corners moved before that are saved after it, alone and for all."""
    file, address = corners
    page = opened(address)
    look(page, 0)
    move(page)
    look(page, 1)
    move(page)
    page.click("#corner-save")
    told(page, "Saved for this clip.")
    look(page, 0, "Changed, not saved.")
    page.click("#corner-save-all")
    told(page, "Saved for 2 clips.")
    move(page, "ArrowLeft")
    page.click("#corner-save")
    told(page, "Saved for this clip.")
    kept = saved(file)
    assert kept["eveningA_04.mp4"][0][0] - kept["eveningA_01.mp4"][0][0] == pytest.approx(1)


def test_saving_says_no_where_what_is_kept_has_moved_on_since_it_was_shown(corners):
    file, address = corners
    clip = f"{address}api/clip/0/corners"
    shown = json.loads(ask(clip)[1])
    moved = [[x + 5, y] for x, y in shown["corners"]]
    assert ask(clip, body={"corners": moved, "held": shown["kept"]})[0] == 200
    for every, state in ((False, "kept"), (True, "kept_all")):
        status, content = ask(clip, body={"corners": shown["corners"], "all": every, "held": shown[state]})
        assert (status, json.loads(content)["problem"][:9]) == (400, "Not saved")
    assert list(saved(file)) == ["eveningA_01.mp4"]


def test_corners_moved_over_one_recording_are_not_saved_for_another_that_took_its_name(corners, opened):
    file, address = corners
    page = opened(address)
    look(page, 0)
    move(page)
    page.wait_for_selector("#corner-numbers:has-text('corners by hand: no residual')")
    with another_recording(file.parents[1] / "eveningA_01.mp4"):
        for button in ("#corner-save", "#corner-save-all"):
            page.click(button)
            told(page, 'Not saved: another recording has this name now; "As saved" shows it.')
        page.locator(".handle").first.press("ArrowLeft")
        page.wait_for_selector("#message:has-text('Another recording has this name now')")
        assert not file.exists()
        page.click("#corner-back")
        told(page, "As found in the picture.")
        move(page)
        page.click("#corner-save")
        told(page, "Saved for this clip.")
        assert json.loads(file.read_text())["recordings"] == {
            "eveningA_01.mp4": file_sha256(file.parents[1] / "eveningA_04.mp4")}


def test_a_still_picture_and_its_corners_say_which_recording_they_are_of(corners):
    file, address = corners
    of_name = [file_sha256(file.parents[1] / f"{clip}.mp4") for clip in CLIPS]
    clip = f"{address}api/clip/0/"
    assert json.loads(ask(f"{clip}corners")[1])["recording"] == of_name[0]
    with urllib.request.urlopen(f"{clip}picture.jpg", timeout=30) as reply:
        assert reply.headers["x-recording"] == of_name[0]
    found = json.loads(ask(f"{clip}corners")[1])["corners"]
    for what in ("preview", "corners"):
        assert ask(clip + what, body={"corners": found, "recording": of_name[1]})[0] == 400
        assert ask(clip + what, body={"corners": found, "recording": of_name[0]})[0] == 200


def test_a_corner_moved_while_the_table_is_looked_for_stays_moved(corners, opened):
    file, address = corners
    page = opened(address)
    look(page, 0)
    found = json.loads(ask(f"{address}api/clip/0/corners")[1])["corners"]
    looking = hold(page, "**/api/clip/0/preview")
    page.click("#corner-find")
    wait_until(page, lambda: looking)
    move(page)
    page.wait_for_selector("#corner-numbers:has-text('corners by hand: no residual')")
    place = page.locator(".handle").first.bounding_box()
    with page.expect_response("**/api/clip/0/preview"):
        looking[0].continue_()
    page.evaluate("() => new Promise((done) => setTimeout(done))")  # what waits for the answer has had its turn
    assert page.locator(".handle").first.bounding_box() == place
    page.click("#corner-save")
    told(page, "Saved for this clip.")
    assert saved(file)["eveningA_01.mp4"][0] == pytest.approx([found[0][0] - 10, found[0][1]])
