"""Take the pictures of the README's tour from a running demo: all of them, or those named.

python docs/make_tour.py [http://127.0.0.1:8000 [picture ...]]

Needs the packages of requirements-dev.txt and Chromium.
"""

from __future__ import annotations

import re
import shutil
import sys
from pathlib import Path

from playwright.sync_api import Page, sync_playwright

HERE = Path(__file__).resolve().parent / "tour"
FLAGS = ["--headless", "--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-sync"]
# picture, who looks, firing (none: the home page), page of the firing, theme, where to scroll to
PICTURES = (
    ("home", "Tamsin Vale", "", "", "light", "main"),
    ("space", "Leopold Finch", "Midwinter burn", "space/", "light", "h2:has-text('My pieces')"),
    ("allotment", "Ivo Lindqvist", "Midwinter burn", "space/allotment/", "light", ".table-box"),
    ("load-plan", "Tamsin Vale", "November long burn", "load-plan/", "light", "details.layer >> nth=2"),
    ("watches", "Tamsin Vale", "November long burn", "watches/", "light", ".roster"),
    ("fire", "Tamsin Vale", "November long burn", "fire/", "night", ".keys"),
    ("money", "Noor Hakimi", "Late summer soda", "money/", "light", "main"),
)

PROPOSE = "Propose how to share it out"  # changes nothing for anybody


def sign_in(page: Page, base: str, name: str) -> None:
    page.goto(f"{base}/")
    page.get_by_role("button", name=re.compile(name)).click()
    page.wait_for_load_state()


def open_firing(page: Page, base: str, name: str, part: str) -> None:
    for which in ("open", "past"):
        page.goto(f"{base}/wrenfield/firings/?which={which}")
        link = page.get_by_role("link", name=name, exact=True)
        if link.count():
            page.goto(f"{base}{link.first.get_attribute('href')}{part}")
            return
    sys.exit(f"There is no firing {name}; run this on a fresh demo.")


def main(base: str, wanted: list[str]) -> None:
    HERE.mkdir(exist_ok=True)
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=shutil.which("chromium"), args=FLAGS)
        for picture, who, firing, part, theme, scroll_to in PICTURES:
            if wanted and picture not in wanted:
                continue
            context = browser.new_context(viewport={"width": 360, "height": 740}, locale="en-GB")
            context.add_cookies([{"name": "theme", "value": theme, "url": base}])
            page = context.new_page()
            sign_in(page, base, who)
            if firing:
                open_firing(page, base, firing, part)
            if (propose := page.get_by_role("button", name=PROPOSE)).count():
                propose.click()
                page.wait_for_load_state()
            page.locator(scroll_to).first.scroll_into_view_if_needed()
            page.screenshot(path=str(HERE / f"{picture}.png"))
            context.close()
        browser.close()


if __name__ == "__main__":
    main(sys.argv[1].rstrip("/") if len(sys.argv) > 1 else "http://127.0.0.1:8000", sys.argv[2:])
