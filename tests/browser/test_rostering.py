"""Four people on phones: wishes by thumb, a roster proposed, a swap, a drop-out at the fire, and its mending."""

import re
import urllib.request

import pytest
from playwright.sync_api import expect

from tests import calendar_client, strict_calendar
from tests.browser.conftest import DESK, PHONE

AUTUMN, WINTER = "November long burn", "Midwinter burn"


def watches(visitor, firing):
    return visitor.open_firing(firing).tab("Watches and chores")


def to_wishes(visitor, firing):
    return watches(visitor, firing).follow(re.compile("Say when I can|Change my wishes"))


def calendar_link(visitor):
    """A link made by the member on their page, as they would give it to their calendar."""
    visitor.go("account/calendars/").press("Make the link")
    return visitor.page.get_by_label("Address").input_value()


def on_the_calendar(visitor, link):
    """What a calendar that is nobody's browser reads there: the watches by their address, and how each stands."""
    with urllib.request.urlopen(link) as answer:
        text = answer.read()
    found = calendar_client.read(text)
    assert found == {one["UID"]: one for one in strict_calendar.read(text)[1]}
    return {one["URL"].removeprefix(visitor.house.url): one for one in found.values() if "/watches/" in one["URL"]}


def no_wider_than_the_phone(visitor):
    assert visitor.page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]


def test_each_wish_is_one_tap_that_saves_itself(visit):
    member = to_wishes(visit("Wiebke Janssen", at=PHONE), WINTER)
    no_wider_than_the_phone(member)
    for word in ("want", "can", "rather not", "cannot"):
        key = member.page.locator("label.choice", has_text=re.compile(f"^\\s*{word}$")).first
        box = key.bounding_box()
        assert box["height"] >= 44
        assert box["width"] >= 44
        key.click()
        expect(member.page.get_by_role("status").first).to_have_text("saved")
    member.page.get_by_label(re.compile("^No nights")).check()
    expect(member.page.locator("section", has_text="For the whole firing").get_by_role("status")).to_have_text("saved")
    member.page.reload()
    expect(member.page.get_by_role("radio", name="cannot", exact=True).first).to_be_checked()
    expect(member.page.get_by_label(re.compile("^No nights"))).to_be_checked()


def test_a_whole_night_is_one_tap_without_a_script_too(visit):
    member = to_wishes(visit("Tobias Rook", at=PHONE, java_script_enabled=False), WINTER)
    night = member.page.locator("section", has_text="The whole night:").first
    night.get_by_role("button", name="cannot", exact=True).click()
    member.sees("Your wishes are saved.")
    night = member.page.locator("section", has_text="The whole night:").first
    for radio in night.get_by_role("radio", name="cannot", exact=True).all():
        expect(radio).to_be_checked()


def test_two_members_swap_their_watches_on_their_phones(visit):
    wiebke = watches(visit("Wiebke Janssen", at=PHONE), WINTER)
    wiebke.press(re.compile("^Take this watch: Wed 16 Dec, 13:30")).sees("Wiebke Janssen (me)")
    cormac = watches(visit("Cormac Healy", at=PHONE), WINTER)
    cormac.press(re.compile("^Take this watch: Thu 17 Dec, 06:15")).sees("Cormac Healy (me)")
    wiebke.follow("Swap or give away").pick(re.compile("^Swap it for"), "Thu 17 Dec, 06:15: Cormac")
    wiebke.press("Ask for the swap").sees("They have been asked")
    watches(cormac, WINTER).sees("Wiebke Janssen asks you to swap")
    no_wider_than_the_phone(cormac)
    cormac.press("Agree to the swap").sees("both places have changed hands")
    mine = cormac.page.locator("li.mine")
    expect(mine).to_have_count(1)
    expect(mine).to_contain_text("Wed 16 Dec, 13:30")
    expect(watches(wiebke, WINTER).page.locator("li.mine")).to_contain_text("Thu 17 Dec, 06:15")


@pytest.mark.slow
def test_a_lead_has_a_roster_proposed_sees_how_good_it_is_and_who_is_told_and_accepts(visit, house):
    willing = to_wishes(visit("Mirela Popa", at=PHONE), WINTER)
    with willing.page.expect_response(lambda answer: answer.request.method == "POST"):
        willing.page.locator("label.choice", has_text=re.compile("^\\s*want$")).first.click()
    lead = watches(visit("Ivo Lindqvist", at=PHONE), WINTER).press("Propose a roster")
    house.work_off()
    watches(lead, WINTER).follow("Look at the proposal").sees("told; nobody else hears of it")
    lead.sees("How good is it?").sees("Places left open").sees(re.compile("no roster does better|at best"))
    no_wider_than_the_phone(lead)
    lead.press("Accept: put these people on").sees(re.compile(r"\d+ places? (was|were) filled"))
    house.work_off()
    assert house.mails_to("m09@wrenfield.example")


@pytest.mark.slow
def test_a_drop_out_at_the_fire_is_mended_and_only_those_who_are_listed_hear_of_it(visit, house):
    lead = watches(visit("Tamsin Vale", at=PHONE), AUTUMN)
    to_come = lead.page.locator("ul.roster > li[id^=watch-]").filter(has_text="Take this watch")
    row = to_come.first if to_come.count() else lead.page.locator("ul.roster > li[id^=watch-]").last
    when, name = row.get_by_role("link").first.inner_text(), row.locator(".crew .pill.bare").last.inner_text()
    name = name.split(" · ")[0]
    ill = visit(name, at=PHONE)
    link = calendar_link(ill)
    watches(ill, AUTUMN)
    address = ill.page.locator("li.mine").get_by_role("link", name=when).get_attribute("href")
    planned = on_the_calendar(ill, link)[address]
    assert planned["STATUS"] == "CONFIRMED"
    ill.page.locator("li.mine").get_by_role("link", name=when).click()
    ill.press("I cannot come at all").sees("You have said that you cannot come")
    no_wider_than_the_phone(ill)

    watches(lead, AUTUMN).sees(f"{name} cannot come").sees("A mended roster is being computed")
    house.work_off()
    watches(lead, AUTUMN).follow("Look at the mended roster").sees("will be told or asked; nobody else hears of it")
    told = lead.page.get_by_role("table", name="Who is told what").locator("tbody th").all_inner_texts()
    assert name in told
    no_wider_than_the_phone(lead)
    before = {path.name for path in (house.folder / "mail").iterdir()}
    lead.press(re.compile("^Accept")).sees(re.compile(r"\d+ (person is|people are) told"))
    house.work_off()
    fresh = [path.read_text() for path in (house.folder / "mail").iterdir() if path.name not in before]
    changed = [text for text in fresh if "Your watches have changed" in text or "A question from the lead" in text]
    assert 0 < len(changed) <= len(told)
    mended = on_the_calendar(ill, link)[address]
    assert (mended["STATUS"], mended["UID"]) == ("CANCELLED", planned["UID"])
    assert mended["SEQUENCE"] > planned["SEQUENCE"]
    desk = watches(visit(name, at=DESK), AUTUMN)
    expect(desk.page.locator("li.mine", has_text=when)).to_have_count(0)
