"""What each role does most, on the device they have at hand; without a script and without a mouse as well."""

import re

import pytest
from playwright.sync_api import expect

from tests.browser.conftest import DESK, PHONE


def listing(visitor, *, name, body="Moor stoneware", other_body="", cone="", diameter=110, height=95):
    visitor.follow("List a piece").fill("What is it?", name)
    visitor.fill(re.compile("^Diameter"), str(diameter)).fill(re.compile("^Height"), str(height))
    visitor.pick(re.compile("^Clay body"), body)
    if other_body:
        visitor.fill(re.compile("^Another clay body"), other_body).pick(re.compile("^Cone it stands"), cone)
    return visitor.press("Ask for space")


def test_a_member_books_space_and_gives_it_back_on_a_phone(visit):
    member = visit("Ottilie Krantz", at=PHONE).sees("Midwinter burn").open_firing("Midwinter burn").tab("Space")
    listing(member, name="ink well").sees("1 × ink well")
    row = member.page.get_by_role("row", name=re.compile("ink well"))
    expect(row).to_contain_text(re.compile("holds space in (Front|Back)|waits, number"))
    member.press(re.compile("^Withdraw.*ink well")).sees_not("1 × ink well")


def test_a_body_that_would_melt_is_refused_in_words_and_nothing_typed_is_lost(visit):
    member = visit("Ottilie Krantz", at=PHONE).open_firing("Midwinter burn").tab("Space")
    listing(member, name="red pot", body="another one", other_body="Brick clay", cone="cone 06")
    expect(member.page.get_by_role("alert")).to_contain_text("06")
    expect(member.page.get_by_label("What is it?")).to_have_value("red pot")
    expect(member.page.get_by_label(re.compile("^Another clay body"))).to_have_value("Brick clay")
    member.follow("Back").sees_not("red pot")


def test_a_member_says_when_they_can_and_takes_and_leaves_a_watch_on_a_phone(visit):
    member = visit("Fenella Ashdown", at=PHONE).open_firing("Midwinter burn").tab("Watches and chores")
    member.follow(re.compile("Say when I can|Change my wishes"))
    member.page.get_by_role("radio", name="want", exact=True).first.check()
    member.press("Save my wishes").follow("Change my wishes")
    expect(member.page.get_by_role("radio", name="want", exact=True).first).to_be_checked()
    member.follow("Back").press(re.compile("^Take this watch")).sees("Fenella Ashdown (me)")
    member.follow("Swap or give away").press("Give my place up").sees_not("Fenella Ashdown (me)")


def test_whoever_is_on_watch_writes_the_log_with_one_key_on_a_phone(visit):
    lead = visit("Tamsin Vale").open_firing("November long burn").tab("Fire")
    on_watch = re.search(r"Now: ([^,(]+?)(?: \(leads\))?,", lead.page.get_by_role("main").inner_text())[1]
    member = visit(on_watch, at=PHONE).follow(re.compile("^To the fire"))
    key = member.page.get_by_role("button", name="as before").first
    degrees = re.match(r"[\d,]+", key.inner_text())[0]
    assert key.bounding_box()["height"] >= 64
    key.click()
    member.sees(f"Saved on this phone: front {degrees}")
    expect(member.page.locator("[data-since=reading]")).to_have_text(re.compile(r"^0\s?min$"))


WHO_IS_IDLE = """
from coop.models import Membership
from firings.models import WatchPlace
held = WatchPlace.objects.filter(watch__firing__name="November long burn", given_up_at=None)
idle = Membership.objects.exclude(pk__in=held.values("member")).exclude(roles__kind="coordinator")
print(idle.filter(coop__slug="wrenfield", left_at=None).order_by("pk").last().name)
"""


def test_who_has_no_watch_reads_the_fire_but_finds_no_keys(house, visit):
    idle = house.manage("shell", "--no-imports", "-c", WHO_IS_IDLE).strip()
    reader = visit(idle, at=PHONE).open_firing("November long burn").tab("Fire").sees("Burning for")
    expect(reader.page.get_by_role("button", name="as before")).to_have_count(0)


def test_a_member_sees_their_own_share_with_its_sum_and_not_anothers_paper_on_a_phone(visit):
    member = visit("Ottilie Krantz", at=PHONE).go("money/").sees(re.compile(r"\d+\.\d\d EUR to pay"))
    member.page.locator("main summary").first.click()
    expect(member.page.locator("main details[open] p").first).to_contain_text("=")
    assert member.download(re.compile("^Download")).startswith(b"%PDF-")
    assert member.page.request.get(f"{member.house.url}/wrenfield/ledger/").status == 403


@pytest.mark.parametrize("size", [PHONE, DESK], ids=["on a phone", "at a desk"])
def test_a_steward_adds_a_material_members_can_pick_at_once(visit, size):
    name = f"Fen stoneware {size['width']}"
    steward = visit("Casimir Brandt", at=size).go("kilns/").follow("Materials").follow(re.compile("Add a material"))
    steward.fill("Name", name).pick(re.compile("^Stands cone"), "cone 11").press("Save").sees(name)
    member = visit("Ottilie Krantz", at=size).open_firing("Midwinter burn").tab("Space").follow("List a piece")
    expect(member.page.get_by_label(re.compile("^Clay body"))).to_contain_text(name)


def test_a_coordinator_invites_and_the_newcomer_joins_by_the_mailed_link(visit, house):
    desk = visit("Odile Marrow").go("members/").follow("Invite somebody")
    desk.fill("E-mail", "iris.quill@newcomer.example").fill(re.compile("^Name"), "Iris Quill")
    desk.press("Send the invitation").sees("iris.quill@newcomer.example")
    house.work_off()
    (mail,) = house.mails_to("iris.quill@newcomer.example")
    link = re.search(rf"{re.escape(house.url)}(/join/\S+)", mail.replace("=\n", ""))[1]
    desk.go("outbox/").sees("iris.quill@newcomer.example")

    phone = visit(at=PHONE).go(link).sees("Join Wrenfield Kiln Co-op")
    phone.fill(re.compile("Password|password"), "short").press("Join").sees("at least 15")
    phone.fill(re.compile("Password|password"), "rain on the wood stack").press("Join")
    expect(phone.page.get_by_role("heading", level=1)).to_have_text("What needs me now")

    desk.go("members/").follow("Iris Quill").pick("Role", "kiln steward").press("Give this role")
    desk.sees("Take back: kiln steward")
    phone.go("materials/").sees("Add a material")


# --- Without a script, without a mouse ---------------------------------------------------------


def test_everything_needed_at_night_works_without_javascript(visit):
    lead = visit("Tamsin Vale", at=PHONE, java_script_enabled=False)
    lead.open_firing("November long burn").tab("Fire").fill("Probe front", "871").press("Save front")
    lead.sees("Written down: front 871")
    member = visit("Amaia Etxeberria", at=PHONE, java_script_enabled=False).open_firing("Midwinter burn")
    listing(member.tab("Space"), name="salt pig").sees("1 × salt pig")
    member.tab("Watches and chores").press(re.compile("^Take this watch"), 1).sees("Amaia Etxeberria (me)")


def test_signing_in_by_password_works_without_javascript(visit):
    phone = visit(at=PHONE, java_script_enabled=False).go("/accounts/login/")
    phone.fill("Email", "m19@wrenfield.example").fill("Password", "wrong for sure, this one").press("Sign in")
    expect(phone.page.get_by_label("Email")).to_have_value("m19@wrenfield.example")
    phone.fill("Password", "ash-and-cinders-by-night").press("Sign in")
    expect(phone.page.get_by_role("heading", level=1)).to_have_text("What needs me now")


def test_a_piece_is_booked_with_the_keyboard_alone(visit):
    page = visit("Leopold Finch").open_firing("Midwinter burn").page

    def reach(locator):
        for _ in range(80):
            page.keyboard.press("Tab")
            if locator.evaluate("it => it === document.activeElement"):
                return
        raise AssertionError(f"the Tab key never reaches {locator}")

    reach(page.get_by_role("navigation", name="Pages of this firing").get_by_role("link", name="Space"))
    page.keyboard.press("Enter")
    page.wait_for_url("**/space/")
    reach(page.get_by_role("link", name="List a piece"))
    page.keyboard.press("Enter")
    page.wait_for_url("**/new/")
    reach(page.get_by_label("What is it?"))
    page.keyboard.type("cruet")
    reach(page.get_by_label(re.compile("^Diameter")))
    page.keyboard.type("80")
    reach(page.get_by_label(re.compile("^Height")))
    page.keyboard.type("120")
    reach(page.get_by_label(re.compile("^Clay body")))
    page.keyboard.type("Moor")
    reach(page.get_by_role("button", name="Ask for space"))
    page.keyboard.press("Enter")
    expect(page.get_by_role("main")).to_contain_text("1 × cruet")


def test_a_booking_pressed_twice_in_haste_is_one_booking(visit):
    member = visit("Tobias Rook", at=PHONE).open_firing("Midwinter burn").tab("Space").follow("List a piece")
    member.fill("What is it?", "spoon rest").fill(re.compile("^Diameter"), "90").fill(re.compile("^Height"), "30")
    member.pick(re.compile("^Clay body"), "Moor stoneware")
    member.page.get_by_role("button", name="Ask for space").dblclick()
    member.sees("1 × spoon rest")
    member.go(member.page.url.removeprefix(member.house.url))
    expect(member.page.get_by_role("row", name=re.compile("spoon rest"))).to_have_count(1)
