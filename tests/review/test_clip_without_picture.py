"""A clip that can't be read, in the tab Calibration: the reason in the program's words, and no other clip's picture."""

from __future__ import annotations

from tests.review.from_truth import session_from_truth
from tests.review.serving import hosting


def test_it_opens_on_a_clip_with_a_picture_and_says_why_another_has_none(tmp_path, opened):
    session = session_from_truth(tmp_path / "evening", ["eveningA_01"])
    (session / "cut.mp4").write_bytes(b"no clip at all")  # the first by name
    with hosting(session) as running:
        page = opened(running.address)
        page.route("**/api/clip/0/corners", lambda route: route.abort())  # whichever answer comes first
        page.click("#view-corners")
        page.wait_for_selector("#corner-numbers:has-text('Sights seen')")
        assert page.evaluate("() => document.getElementById('corner-clip').selectedOptions[0].textContent"
                             ) == "eveningA_01.mp4"
        assert page.is_hidden("#message")
        page.unroute("**/api/clip/0/corners")
        page.route("**/api/clip/0/corners", lambda route: None)  # the picture's answer alone
        page.select_option("#corner-clip", label="cut.mp4")
        page.wait_for_selector("#message:has-text('cut.mp4: not a clip that can be read; copy it from the camera')")
        assert page.is_hidden("#corner-stage")
        assert page.is_hidden("#corner-numbers")
        page.click("#corner-save-all")
        page.select_option("#corner-clip", label="eveningA_01.mp4")
        page.wait_for_selector("#corner-state:has-text('As found in the picture.')")
        assert page.is_visible("#corner-stage")
        assert page.is_hidden("#message")
    assert not (session / "measured" / "corners.json").exists()
