"""Decisions on the page, in a real browser: each on the shot that was chosen, in the order asked, kept at once."""

from __future__ import annotations

import csv

import pytest

from tests.review.from_truth import session_from_truth
from tests.review.looking import CLIPS, choose, hold, reviews, sign_in, to_the_other, wait_until
from tests.review.serving import serving

pytestmark = pytest.mark.xdist_group("page that takes decisions")  # one page for all of them


@pytest.fixture(scope="module")
def deciding(tmp_path_factory):
    """A page and its session, each test under a name of its own."""
    session = session_from_truth(tmp_path_factory.mktemp("deciding") / "evening", CLIPS)
    with serving(session) as running:
        yield running, session


def test_decide_undo_and_reload(deciding, opened):
    running, session = deciding
    page = opened(running.address)
    sign_in(page, "ida")
    choose(page, "mishit")
    assert page.is_visible("#numbers-card:has-text('hidden until you decide')")
    page.fill("#note", "rolled through")
    page.keyboard.press("Enter")
    page.keyboard.press("r")
    page.wait_for_selector("#reject[aria-pressed=true]")
    assert reviews(session, "ida") == [("eveningA_04-01", "reject")]
    assert page.is_visible("#numbers-card:has-text('Rebound angle')")  # the curtain is up now
    assert page.is_visible("#progress:has-text('1 of 2 decided')")
    page.reload()
    page.wait_for_selector("body[data-ready=yes]")
    page.wait_for_selector("#reject[aria-pressed=true]")
    assert page.input_value("#note") == "rolled through"
    page.keyboard.press("u")
    page.wait_for_selector("#reject[aria-pressed=false]")
    assert page.is_visible("#progress:has-text('0 of 2 decided')")
    assert [decision for _, decision in reviews(session, "ida")] == ["reject", "undo"]


def test_the_keyboard_alone_is_enough_and_focus_shows(deciding, opened):
    running, session = deciding
    page = opened(running.address)
    sign_in(page, "lin")
    for key in ("a", to_the_other(page), "r"):  # faster than anything is answered
        page.keyboard.press(key)
    page.wait_for_selector("#progress:has-text('2 of 2 decided')")
    taken = reviews(session, "lin")
    assert [decision for _, decision in taken] == ["accept", "reject"]
    assert len({shot for shot, _ in taken}) == 2
    page.wait_for_selector("#reject[aria-pressed=true]")
    for _ in range(6):
        page.keyboard.press("Tab")
    focused = page.evaluate("() => document.activeElement.tagName")
    assert focused in ("INPUT", "BUTTON", "SELECT", "SUMMARY")


def test_who_goes_through_the_list_by_keys_stays_there(deciding, opened):
    running, _ = deciding
    page = opened(running.address)
    sign_in(page, "wim")
    page.locator("#shot-list button[aria-current=true]").focus()
    page.keyboard.press("a")
    page.wait_for_selector("#accept[aria-pressed=true]")
    assert page.evaluate("() => document.activeElement.matches('#shot-list button[aria-current=true]')")


def test_a_decision_is_on_the_shot_chosen_last_however_late_another_is_answered(deciding, opened):
    running, session = deciding
    page = opened(running.address)
    held = hold(page, "**/api/shot/*?*reviewer=mia&*")  # the answer to the name waits
    page.fill("#reviewer", "mia")
    page.press("#reviewer", "Tab")
    wait_until(page, lambda: held)
    page.locator("#shot-list button:has(.mark.mishit)").first.click()
    page.keyboard.press("r")
    page.wait_for_timeout(300)
    held[0].continue_()
    page.wait_for_selector("#reject[aria-pressed=true]")
    assert page.is_visible("#verdict h2:has-text('mishit')")
    assert reviews(session, "mia") == [("eveningA_04-01", "reject")]


def test_what_was_asked_before_a_failure_showed_is_not_done_after_it(deciding, opened):
    running, session = deciding
    page = opened(running.address)
    sign_in(page, "noa")
    held = hold(page, "**/api/decide")
    page.keyboard.press("a")
    wait_until(page, lambda: held)
    page.keyboard.press("s")
    page.fill("#reviewer", "zoe")
    page.press("#reviewer", "Tab")
    held[0].abort()
    page.wait_for_selector("#message:has-text('does not answer')")
    page.wait_for_timeout(300)
    assert page.is_visible("#message")  # not wiped by what came after
    assert reviews(session, "noa") == []
    assert page.input_value("#reviewer") == "noa"  # the name that decisions would go under
    page.keyboard.press("r")
    page.wait_for_selector("#reject[aria-pressed=true]")
    assert [decision for _, decision in reviews(session, "noa")] == ["reject"]
    assert page.is_hidden("#message")


def test_a_key_held_down_decides_once(deciding, opened):
    running, session = deciding
    page = opened(running.address)
    sign_in(page, "pim")
    for _ in range(4):
        page.keyboard.down("s")  # the first a press, the others repeats of it
    page.keyboard.up("s")
    page.wait_for_selector("#live:has-text('skipped and saved')", state="attached")
    page.wait_for_timeout(300)
    assert [decision for _, decision in reviews(session, "pim")] == ["skip"]


def test_two_reviewers_are_kept_apart_and_their_agreement_is_shown(deciding, opened):
    running, session = deciding
    for name, keys in (("kim", {"clean": "a", "mishit": "r"}), ("sam", {"clean": "a", "mishit": "a"})):
        page = opened(running.address)
        sign_in(page, name)
        for verdict, key in keys.items():
            choose(page, verdict)
            page.keyboard.press(key)
            page.wait_for_selector("[aria-pressed=true]:is(#accept, #reject)")
        page.wait_for_selector("#progress:has-text('2 of 2 decided')")
    assert [len(reviews(session, name)) for name in ("kim", "sam")] == [2, 2]
    page.wait_for_selector("#agreement:has-text('kim and sam: 1 of 2 alike, Cohen')")
    assert page.is_visible("#agreement:has-text('kappa 0.00')")


def test_a_note_typed_while_a_decision_is_on_its_way_is_not_wiped(deciding, opened):
    running, session = deciding
    page = opened(running.address)
    sign_in(page, "rob")
    held = hold(page, "**/api/decide")
    page.keyboard.press("r")
    wait_until(page, lambda: held)
    page.fill("#note", "hit too thick")
    held[0].continue_()
    page.wait_for_selector("#reject[aria-pressed=true]")
    assert page.input_value("#note") == "hit too thick"
    page.keyboard.press("Enter")
    page.keyboard.press("r")
    page.wait_for_function("() => document.getElementById('live').textContent.includes('rejected')")
    wait_until(page, lambda: len(reviews(session, "rob")) == 2)
    page.keyboard.press(to_the_other(page))
    page.wait_for_selector("#reject[aria-pressed=false]")
    assert page.input_value("#note") == ""  # it was about the other shot


def note_of_the_last(session, name):
    with (session / "measured" / "reviews.csv").open() as file:
        last = [row for row in csv.DictReader(file) if row["reviewer"] == name][-1]
    return last["decision"], last["note"], last["blind"]


def test_a_note_typed_after_the_decision_is_saved_with_it_and_going_on_says_what_stands(deciding, opened):
    running, session = deciding
    page = opened(running.address)
    sign_in(page, "ole")
    page.locator("#shot-list button").first.click()
    page.keyboard.press("a")
    page.wait_for_selector("#accept[aria-pressed=true]")
    page.fill("#note", "late remark")
    page.keyboard.press("Enter")
    page.keyboard.press("s")
    page.wait_for_selector("#live:has-text('Shot 1 stays accepted; its note is saved.')", state="attached")
    assert note_of_the_last(session, "ole") == ("accept", "late remark", "yes")  # it was blind when it was made
    page.keyboard.press("k")
    page.wait_for_function("() => document.getElementById('note').value === 'late remark'")
    page.keyboard.press("s")  # nothing new to save
    page.wait_for_function("() => document.getElementById('live').textContent === 'Shot 1 stays accepted.'")
    assert [decision for _, decision in reviews(session, "ole")] == ["accept", "accept"]


def test_a_note_that_was_not_sent_is_there_on_coming_back_and_a_skips_note_too(deciding, opened):
    running, session = deciding
    page = opened(running.address)
    sign_in(page, "pia")
    page.locator("#shot-list button").first.click()
    page.fill("#note", "look again")
    page.keyboard.press("Enter")
    page.keyboard.press("j")
    page.wait_for_function("() => document.getElementById('note').value === ''")
    page.keyboard.press("k")
    page.wait_for_function("() => document.getElementById('note').value === 'look again'")
    for said in (["skip"], ["skip", "skip"]):  # the second with nothing typed
        page.keyboard.press("s")
        wait_until(page, lambda said=said: [decision for _, decision in reviews(session, "pia")] == said)
        page.wait_for_function("() => document.getElementById('note').value === ''")
        page.keyboard.press("k")
        page.wait_for_function("() => document.getElementById('note').value === 'look again'")
        assert note_of_the_last(session, "pia")[:2] == ("skip", "look again")


def test_who_gives_a_name_starts_at_the_first_open_shot_of_their_list_and_its_end_is_told(deciding, opened):
    running, _ = deciding
    page = opened(running.address)
    page.locator("#shot-list button").nth(1).click()
    page.wait_for_selector("#shot-list li:nth-child(2) button[aria-current=true]")
    page.fill("#note", "seen before")
    sign_in(page, "tom")  # whose order is the one before, so that the shot on show is the second of it, too
    page.wait_for_selector("#shot-list li:first-child button[aria-current=true]")
    assert page.input_value("#note") == ""
    page.locator("#stage").focus()
    page.keyboard.press("j")
    page.wait_for_function("() => document.getElementById('note').value === 'seen before'")
    page.wait_for_selector("#standing:has-text('Last shot; 2 still open.')")


def test_every_tab_keeps_its_own_reviewer_and_way_of_looking(deciding, opened):
    running, _ = deciding
    first = opened(running.address)
    sign_in(first, "tess")
    second = first.context.new_page()
    second.goto(running.address)
    second.wait_for_selector("body[data-ready=yes]")
    second.fill("#reviewer", "uma")
    second.press("#reviewer", "Tab")
    second.uncheck("#blind")
    second.wait_for_selector("#numbers-card:has-text('Rebound angle')")
    first.reload()
    first.wait_for_selector("body[data-ready=yes]")
    assert first.input_value("#reviewer") == "tess"
    assert first.is_checked("#blind")
    assert first.is_visible("#numbers-card:has-text('hidden until you decide')")


def test_what_comes_to_nothing_of_the_decisions_stays_to_be_read(deciding, opened):
    running, session = deciding
    kept = session / "measured" / "reviews.csv"
    before = kept.read_text() if kept.exists() else ""
    page = opened(running.address)
    sign_in(page, "vic")
    try:
        with kept.open("a") as file:
            file.write("what is this\n")
        page.reload()
        page.wait_for_selector("#message:has-text(\"can't be read as a decision\")")
        page.keyboard.press(to_the_other(page))
        page.wait_for_timeout(300)
        assert page.is_visible("#message:has-text(\"can't be read as a decision\")")
    finally:
        kept.write_text(before)
