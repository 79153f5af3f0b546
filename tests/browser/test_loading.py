"""Loading at the kiln with a phone, a plan put right by hand at a desk: with keys, a mouse, without a script."""

import re
import sqlite3
from contextlib import closing

import pytest
from playwright.sync_api import expect

from tests.browser.conftest import DESK, PHONE

FIRING = "Midwinter burn"
LEAD = "Ivo Lindqvist"


def to_stage(house, stage):
    with closing(sqlite3.connect(house.folder / "coop.sqlite3", timeout=20)) as database, database:
        database.execute("UPDATE firings_firing SET stage = ? WHERE name = ?", [stage, FIRING])


@pytest.fixture(scope="module")
def planned(house, browser):
    """The demo's open firing with a plan to load by, at the stage of loading; its address within the co-op."""
    page = browser.new_page()
    page.goto(house.url)
    page.get_by_role("button", name=LEAD).click()
    page.get_by_role("heading", name="What needs me now").wait_for()
    page.goto(f"{house.url}/wrenfield/firings/")
    page.get_by_role("main").get_by_role("link", name=FIRING, exact=True).click()
    address = page.url.removeprefix(f"{house.url}/wrenfield/")
    page.goto(f"{page.url}load-plan/")
    page.get_by_role("button", name="Propose a load plan").click()
    page.get_by_text("This is being computed").wait_for()
    house.work_off()
    page.goto(f"{house.url}/wrenfield/{address}load-plan/")
    page.get_by_role("button", name="Accept this plan").click()
    page.get_by_text("is the plan to load by").wait_for()
    page.close()
    to_stage(house, "loading")  # weeks go by: its loading begins
    yield address
    to_stage(house, "booking")  # the house is lent to other tests


def count_in(visitor):
    status = visitor.page.locator("#now").get_by_role("status")
    return int(re.match(r"(\d+) of \d+ are in", status.inner_text())[1])


def test_a_loader_ticks_off_on_a_phone_without_losing_the_place_and_takes_the_last_tick_back(visit, planned):
    loader = visit("Ottilie Krantz", at=PHONE).go(planned + "load-plan/")
    page = loader.page
    page.evaluate("document.body.dataset.same = 'page'")
    before = count_in(loader)
    key = page.locator("#now .ticks .key:not(.in)").first
    assert key.bounding_box()["height"] >= 64
    pressed = page.locator(f"#{key.get_attribute('id')}")
    pressed.click()
    expect(pressed).to_have_attribute("aria-pressed", "true")
    expect(pressed).to_be_focused()
    assert count_in(loader) == before + 1
    page.get_by_role("button", name="Undo my last tick").click()
    expect(pressed).to_have_attribute("aria-pressed", "false")
    assert count_in(loader) == before
    assert page.evaluate("document.body.dataset.same") == "page"  # the long page was never loaded anew


def test_only_the_layer_to_load_next_lies_open_and_a_full_one_makes_room_for_the_next(visit, planned):
    loader = visit(LEAD, at=PHONE).go(planned + "load-plan/")
    page = loader.page
    expect(page.locator("details.layer[open]")).to_have_count(0)
    head = page.locator("#now h2")
    first = head.inner_text()
    page.get_by_role("button", name="This whole layer is in").click()
    expect(head).not_to_have_text(first)
    page.get_by_role("button", name="Undo my last tick").click()
    expect(head).to_have_text(first)


def test_two_pots_ticked_in_haste_are_both_in(visit, planned):
    loader = visit("Ottilie Krantz", at=PHONE).go(planned + "load-plan/")
    before = count_in(loader)
    keys = loader.page.locator("#now .ticks .key:not(.in)")
    loader.page.evaluate("document.querySelectorAll('#now .ticks .key:not(.in)').forEach((k, n) => n < 2 && k.click())")
    expect(loader.page.locator("#now").get_by_role("status")).to_contain_text(f"{before + 2} of")
    assert keys.count()
    for left in (1, 0):
        loader.page.get_by_role("button", name="Undo my last tick").click()
        expect(loader.page.locator("#now").get_by_role("status")).to_contain_text(f"{before + left} of")


def test_without_a_signal_a_tick_says_that_it_was_not_saved(visit, planned):
    loader = visit("Ottilie Krantz", at=PHONE).go(planned + "load-plan/")
    loader.context.set_offline(True)
    loader.page.locator("#now .ticks .key:not(.in)").first.click()
    expect(loader.page.get_by_role("alert")).to_contain_text("this was not saved")
    loader.context.set_offline(False)
    loader.page.locator("#now .ticks .key:not(.in)").first.click()
    expect(loader.page.locator("#now .ticks .key.in")).to_have_count(1)
    loader.page.get_by_role("button", name="Undo my last tick").click()
    expect(loader.page.locator("#now .ticks .key.in")).to_have_count(0)
    assert all("ERR_INTERNET_DISCONNECTED" in said or "htmx:" in said for said in loader.complaints)
    loader.complaints.clear()


def test_ticking_and_finding_work_without_javascript(visit, planned):
    loader = visit("Ottilie Krantz", at=PHONE, java_script_enabled=False).go(planned + "load-plan/")
    before = count_in(loader)
    loader.page.locator("#now .ticks .key:not(.in)").first.click()
    assert count_in(loader) == before + 1
    loader.press(re.compile("^Undo my last tick"))
    assert count_in(loader) == before
    loader.follow("Where are mine?").sees(re.compile("pots? found"))
    loader.fill("Find a piece or a member", "no such thing").press("Find").sees(
        "Nothing of the kind stands on this plan"
    )


@pytest.mark.parametrize("size", [PHONE, DESK], ids=["on a phone", "at a desk"])
def test_a_pot_is_nudged_into_another_told_of_and_taken_back(visit, planned, size):
    lead = visit(LEAD, at=size).go(planned + "load-plan/").follow("Move pots by hand")
    page = lead.page
    page.locator("#hand details a").first.click()
    nudge = page.get_by_role("button", name="20 mm right")
    expect(nudge).to_be_visible()
    for _ in range(8):
        if page.get_by_text(re.compile(r"(overlap by|stand) [\d.]+ mm")).count():
            break
        with page.expect_response(re.compile("/hand/step/")):
            nudge.click()
        expect(page.get_by_role("heading", name=re.compile("^In hand"))).to_be_visible()
        expect(nudge).to_be_enabled()
    lead.sees("it can be moved on, but not accepted")
    expect(page.get_by_role("button", name="Accept this plan")).to_have_count(0)
    while page.get_by_role("button", name="Undo the last step").count():
        with page.expect_response(re.compile("/hand/undo/")):
            page.get_by_role("button", name="Undo the last step").click()
        page.wait_for_timeout(100)
    lead.sees("no faults on this plan")


def test_a_pot_is_dragged_with_a_mouse_and_can_be_moved_with_the_keyboard_alone(visit, planned):
    lead = visit(LEAD).go(planned + "load-plan/").follow("Move pots by hand")
    page = lead.page
    pot = page.locator("[data-spot]").first
    name = pot.locator("title").text_content()
    piece = re.match(r"(.*) of ", name)[1]
    box = pot.bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + 10, y, steps=3)
    with page.expect_response(re.compile("/hand/step/")):
        page.mouse.up()
    expect(page.get_by_role("heading", name=re.compile("^In hand"))).to_be_visible()
    lead.sees("by hand from plan")
    assert piece.split(" (")[0] in page.get_by_role("heading", name=re.compile("^In hand")).inner_text()
    key = page.get_by_role("button", name="5 mm up")
    where = page.locator("#pot p").first.inner_text()
    key.focus()
    page.keyboard.press("Enter")
    expect(page.locator("#pot p").first).not_to_have_text(where)
    expect(page.get_by_role("button", name="5 mm up")).to_be_focused()


def test_the_pages_of_a_load_plan_are_readable_by_all(visit, planned):
    from axe_playwright_python.base import AXE_SCRIPT

    from tests.browser.test_pages import LOOKS, RUN

    lead = visit(LEAD, reduced_motion="reduce")
    hand = lead.go(planned + "load-plan/").page.get_by_role("link", name="Move pots by hand").get_attribute("href")
    lead.go(hand)
    pot = lead.page.locator("#hand details a").first.get_attribute("href")
    found = []
    for path in (planned + "load-plan/", planned + "load-plan/?q=bowl", pot):
        lead.go(path)
        lead.page.evaluate(AXE_SCRIPT)
        for theme, size, options in LOOKS:
            lead.page.set_viewport_size(size)
            found += [(path, theme, fault) for fault in lead.page.evaluate(RUN, [theme, options])]
        lead.page.set_viewport_size({"width": 320, "height": 740})
        if (wide := lead.page.evaluate("document.documentElement.scrollWidth")) > 320:
            found.append((path, "320", f"{wide} px wide"))
    assert found == []
