"""Every main page as it lies on a phone and on a desk: readable by all, nothing cut off, nothing complaining."""

import re

import pytest
from axe_playwright_python.base import AXE_SCRIPT
from playwright.sync_api import expect

from tests.browser.conftest import DESK, PHONE

RULES = {"target-size": {"enabled": True}, "color-contrast-enhanced": {"enabled": True}}
ALL_RULES = {"resultTypes": ["violations"], "rules": RULES}
COLOURS = {
    "resultTypes": ["violations"],
    "runOnly": ["color-contrast", "color-contrast-enhanced", "link-in-text-block"],
}
# The night theme changes colours only, so only the rules on colours can tell it from the light one.
LOOKS = (("light", PHONE, ALL_RULES), ("light", DESK, ALL_RULES), ("night", PHONE, COLOURS), ("night", DESK, COLOURS))
RUN = """([theme, options]) => { document.documentElement.dataset.theme = theme; return axe.run(options).then(
  found => found.violations.flatMap(rule => rule.nodes.slice(0, 3)
    .map(node => `${rule.id}: ${node.html.slice(0, 200)}`))
); }"""
FIRINGS = {
    "open": "Midwinter burn",
    "burning": "November long burn",
    "cooling": "First frost soda",
    "closed": "Late summer soda",
}
PEOPLE = {
    "nobody": ["/", "/accounts/login/", "/accounts/password/reset/", "/problems/refused"],
    "Ivo Lindqvist": [
        "",
        "calendar/",
        "firings/",
        "firings/call/",
        "kilns/",
        "materials/",
        "wood/",
        "members/",
        "account/",
        "account/mail/",
        "search/?q=a",
        "account/calendars/",
        "hours/",
        "watches/",
        "policy/",
        "open:",
        "open:dates/",
        "open:go-or-not/",
        "open:space/",
        "open:space/pieces/new/",
        "open:space/pieces/paste/",
        "open:space/pieces/brought/",
        "open:space/allotment/",
        "open:load-plan/",
        "open:watches/",
        "open:watches/wishes/",
        "open:on-call/",
        "open:hours/",
        "open:chores/add/",
        "cooling:",
        "cooling:fire/",
        "cooling:fire/end/",
        "burning:wood/",
        "wood/ > main td a[href*=count]",
        "burning:fire/",
        "burning:fire/end/",
        "burning:fire/more/",
        "burning:fire/curve/",
        "burning:fire/logger-file/",
        "burning:compare/",
        "closed:compare/ > main form button",
        "burning:fire/kept/",
        "burning:load-plan/",
        "burning:watches/",
        "burning:watches/ > .roster strong",
        "burning:unpacking/damage/",
    ],
    "Noor Hakimi": [
        "money/",
        "money/balances/",
        "money/payments/new/",
        "money/deposits/",
        "money/deposits/new/",
        "money/ageing/",
        "money/years/",
        "money/bank/",
        "money/bank/account/",
        "money/bank/files/new/",
        "money/bank/profiles/new/",
        "ledger/",
        "closed:",
        "closed:money/",
        "closed:money/what-if/?b=own&key_wood=heads",
        "open:money/what-if/?litres=20",
        "money/reserve/?cost=8000&cost_margin=1000&firings=30&firings_margin=8&litres=400&litres_margin=80",
        "closed:cleanup/",
        "closed:unpacking/",
    ],
    "Casimir Brandt": [
        "kilns/add/",
        "kilns/ > main h2 a, main td a, main li a[href*=kilns]",
        "kilns/ > main h2 a, main td a, main li a[href*=kilns] > main a[href*=probes]",
        "materials/add/",
        "wood/add/",
    ],
    "Odile Marrow": ["invitations/", "invitations/many/", "outbox/", "audit/", "policy/change/"],
}


@pytest.fixture(scope="module")
def addresses(house, browser):
    """``open:space/`` and the like, turned into addresses; read off the list of firings once."""
    page = browser.new_page()
    page.goto(house.url)
    page.get_by_role("button", name="Ivo Lindqvist").click()
    page.get_by_role("heading", name="What needs me now").wait_for()
    found = {}
    for which in ("open", "past"):
        page.goto(f"{house.url}/wrenfield/firings/?which={which}")
        for key, name in FIRINGS.items():
            link = page.get_by_role("main").get_by_role("link", name=name, exact=True)
            if link.count():
                found[key] = link.first.get_attribute("href")
    page.close()
    assert found.keys() == FIRINGS.keys()

    def address(path):
        firing, colon, rest = path.partition(":")
        return found[firing] + rest if colon else path

    return address


def _faults(found):
    return [f"{path} ({theme}, {width}): {fault}" for path, theme, width, faults in found for fault in faults]


@pytest.mark.parametrize("who", PEOPLE)
def test_main_pages_pass_axe_in_light_and_by_night_on_phone_and_desk_and_nothing_sticks_out(who, visit, addresses):
    visitor = visit(None if who == "nobody" else who, reduced_motion="reduce")
    page, found = visitor.page, []
    for path in PEOPLE[who]:
        place, *links = path.split(" > ")
        visitor.go(addresses(place))
        for link in links:
            page.locator(link).first.click()
            page.wait_for_load_state()
        assert page.url.startswith(visitor.house.url + ("/wrenfield/" if who != "nobody" else "/")), path
        expect(page.get_by_role("heading", level=1)).to_have_count(1)
        page.evaluate(AXE_SCRIPT)
        for theme, size, options in LOOKS:
            page.set_viewport_size(size)
            found.append((path, theme, size["width"], page.evaluate(RUN, [theme, options])))
        for width in (360, 320):
            page.set_viewport_size({"width": width, "height": 740})
            wide = page.evaluate("document.documentElement.scrollWidth")
            found.append((path, "any", width, [f"{wide} px wide"] if wide > width else []))
    assert len(found) == 6 * len(PEOPLE[who])
    assert _faults(found) == []


def test_a_chosen_theme_is_written_by_the_server_and_stays(visit):
    visitor = visit("Leopold Finch", at=PHONE)
    visitor.page.get_by_role("navigation", name="Main").get_by_text("More").click()
    visitor.page.get_by_role("button", name="Night").click()
    visitor.page.wait_for_load_state()
    visitor.go("calendar/")
    assert visitor.page.locator("html").get_attribute("data-theme") == "night"
    red, green, blue = re.findall(r"\d+", visitor.page.evaluate("getComputedStyle(document.body).backgroundColor"))
    assert max(int(red), int(green), int(blue)) < 16  # dark enough not to take away a stoker's night eyes


def test_the_skip_link_is_first_shows_itself_and_leads_to_the_page(visit):
    visitor = visit("Leopold Finch")
    page = visitor.go("calendar/").page
    page.keyboard.press("Tab")
    skip = page.get_by_role("link", name="Skip to the page")
    expect(skip).to_be_focused()
    expect(skip).to_be_in_viewport()
    page.keyboard.press("Enter")
    expect(page.locator("main")).to_be_focused()


def test_whatever_the_tab_key_reaches_shows_that_it_has_the_focus(visit):
    visitor = visit("Leopold Finch", at=PHONE)
    page = visitor.go("account/").page
    seen = 0
    for _ in range(30):
        page.keyboard.press("Tab")
        shown = page.evaluate(
            "() => { const it = document.activeElement, style = getComputedStyle(it);"
            " return [it.outerHTML.slice(0, 120), parseFloat(style.outlineWidth), style.outlineStyle]; }"
        )
        if shown[0].startswith("<body"):
            break
        seen += 1
        assert shown[1] >= 2, shown
        assert shown[2] != "none", shown
    assert seen > 15
