"""What pages say and how they look: figures in words, forms that explain themselves, colours that can be read."""

import re
from datetime import UTC, date, datetime, timedelta
from io import BytesIO
from pathlib import Path
from types import SimpleNamespace
from zoneinfo import ZoneInfo

import pytest
from django import forms
from django.template import Context, Template
from django.template.loader import render_to_string
from django.test import RequestFactory
from django.utils import timezone

from coop.templatetags import look
from firings.lifecycle import STAGES

COOP = Path(look.__file__).resolve().parents[1]
CSS = (COOP / "static/coop/app.css").read_text()


def plain(text):
    return text.replace("\N{NO-BREAK SPACE}", " ")


def render(source, **context):
    return Template("{% load look i18n %}" + source).render(Context(context))


# --- Moments ------------------------------------------------------------------------------
def test_a_moment_is_told_in_the_coops_zone():
    with timezone.override(ZoneInfo("Europe/Dublin")):
        assert look.moment(datetime(2026, 5, 9, 13, 30, tzinfo=UTC)) == "Sat 9 May, 14:30"
        assert look.day(datetime(2026, 5, 9, 23, 30, tzinfo=UTC)) == "Sun 10 May 2026"
        assert look.day(date(2026, 5, 9)) == "Sat 9 May 2026"


def test_the_hour_that_comes_twice_names_its_zone():
    with timezone.override(ZoneInfo("Europe/Dublin")):
        first, second = (look.clock(datetime(2026, 10, 25, hour, 30, tzinfo=UTC)) for hour in (0, 1))
        assert (first, second) == ("01:30 IST", "01:30 GMT")
        assert look.clock(datetime(2026, 10, 25, 2, 30, tzinfo=UTC)) == "02:30"


def test_the_time_element_carries_the_instant():
    with timezone.override(ZoneInfo("America/New_York")):
        made = look.when(datetime(2026, 5, 9, 13, 30, tzinfo=UTC))
    assert made == '<time datetime="2026-05-09T13:30:00Z">Sat 9 May, 09:30</time>'


@pytest.mark.parametrize(
    ("given", "said"),
    [
        (0, "0 min"), (45, "45 min"), (60, "1 h"), (200, "3 h 20 min"), (-90, "−1 h 30 min"), (2879, "47 h 59 min"),
        (2880, "2 days"), (3120, "2 days 4 h"), (timedelta(hours=11, minutes=30), "11 h 30 min"),
    ],
)  # fmt: skip
def test_durations(given, said):
    assert plain(look.duration(given)) == said


# --- Figures ------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("ml", "said"),
    [(41_234, "41.2 l"), (41_250, "41.3 l"), (49, "0.0 l"), (0, "0.0 l"), (-1_250, "−1.3 l"), (1_234_567, "1,234.6 l")],
)
def test_litres(ml, said):
    assert plain(look.litres(ml)) == said


def test_units_follow_the_person():
    inches = SimpleNamespace(temperature_unit="f", length_unit="in", volume_unit="in3")
    metric = SimpleNamespace(temperature_unit="c", length_unit="mm", volume_unit="l")
    assert [plain(look.temperature(1000, who)) for who in (metric, inches, None)] == ["100 °C", "212 °F", "100 °C"]
    assert plain(look.temperature(-400, inches)) == "−40 °F"
    assert [plain(look.size(254, who)) for who in (metric, inches)] == ["254 mm", "10.0 in"]
    # 1 in = 25.4 mm exactly (international inch, 1959), so 1 l = 1000 / 2.54^3 = 61.02 in3
    assert [plain(look.space(10_000, who)) for who in (metric, inches)] == ["10.0 l", "610 in³"]


def test_a_difference_of_temperatures_has_no_offset():
    fahrenheit = SimpleNamespace(temperature_unit="f")
    assert plain(look.temperature_change(350)) == "+35 °C"
    assert plain(look.temperature_change(350, fahrenheit)) == "+63 °F"
    assert plain(look.temperature_change(-100, fahrenheit)) == "−18 °F"
    assert plain(look.temperature_change(0)) == "±0 °C"


def test_celsius_is_rounded_away_from_zero_and_grouped():
    assert [plain(look.celsius(tenths)) for tenths in (12_040, 12_045, -5)] == ["1,204 °C", "1,205 °C", "−1 °C"]


def test_money_is_written_with_its_currency():
    assert look.money(123_456, "EUR") == "€1,234.56"
    assert look.money(123_456, "JPY") == "¥123,456"


def test_nothing_is_said_of_nothing():
    for words in (look.moment, look.day, look.clock, look.when, look.duration, look.litres, look.space, look.mm,
                  look.size, look.celsius, look.temperature, look.temperature_change):  # fmt: skip
        assert words(None) == ""
    assert look.money(None, "EUR") == ""
    assert look.percent(3, 0) == ""


def test_no_filter_takes_the_place_of_one_of_djangos():
    from django.template import defaultfilters, defaulttags

    assert not set(look.register.filters) & set(defaultfilters.register.filters)
    assert not set(look.register.tags) & set(defaulttags.register.tags)


# --- Parts --------------------------------------------------------------------------------
def test_the_stage_bar_says_in_words_where_the_firing_is():
    bar = render("{% stage_bar stages 'lit' %}", stages=STAGES)
    assert "Stage 5 of 10:" in bar
    assert bar.count('aria-current="step"') == 1
    assert (bar.count("(done)"), bar.count("(now)"), bar.count("(to come)")) == (4, 1, 5)
    assert "called off" not in bar


def test_a_firing_called_off_has_no_current_stage():
    bar = render("{% stage_bar stages 'called_off' %}", stages=STAGES)
    assert "<strong>called off</strong>" in bar
    assert 'aria-current="step"' not in bar


def test_a_fill_shows_mine_within_what_is_used_and_says_when_it_is_too_much():
    bar = look.fill(30, 40, mine=10)
    assert (bar["others_width"], bar["mine_x"], bar["mine_width"]) == ("50.00", "50.00", "25.00")
    assert "more than fits" in render("{% fill 50 40 %}")
    assert ">full<" in render("{% fill 40 40 %}")
    assert "full" not in render("{% fill 39 40 %}").replace('class="fill"', "")


def test_the_navigation_leaves_out_what_is_not_there():
    coop = SimpleNamespace(slug="hollow-lane", name="Hollow Lane Kilns")
    request = SimpleNamespace(coop=coop, path="/hollow-lane/")
    assert 'aria-current="page"' in render("{% nav_link 'home' 'home' 'Home' %}", request=request)
    assert render("{% nav_link 'no_such_page' 'home' 'Home' %}", request=request).strip() == ""
    assert render("{% nav_link 'home' 'home' 'Home' %}").strip() == ""


class PieceForm(forms.Form):
    name = forms.CharField(label="What is it", help_text="As you will know it when unpacking.")
    height = forms.IntegerField(label="Height", min_value=1)
    share = forms.DecimalField(label="Share", required=False)
    change = forms.IntegerField(label="Change", required=False)
    shape = forms.ChoiceField(label="Footprint", choices=[("r", "round")], widget=forms.RadioSelect)


def test_a_field_ties_help_faults_and_unit_to_its_input():
    field = render("{% field form.height unit='mm' help='With foot.' %}", form=PieceForm({"height": "-3"}))
    (described_by,) = re.findall(r'aria-describedby="([^"]+)"', field)
    assert described_by.split() == ["id_height_helptext", "id_height_error", "id_height_unit"]
    assert all(f'id="{part}"' in field for part in described_by.split())
    assert 'aria-invalid="true"' in field
    assert '<label for="id_height">Height' in field


def test_fields_ask_for_the_keyboard_that_fits():
    form = PieceForm()
    assert 'inputmode="numeric"' in render("{% field form.height %}", form=form)
    assert 'inputmode="decimal"' in render("{% field form.share %}", form=form)
    assert "inputmode" not in render("{% field form.change %}", form=form)  # may be negative
    assert "inputmode" not in render("{% field form.name %}", form=form)


def test_help_can_be_left_out_and_optional_fields_say_so():
    form = PieceForm()
    assert "unpacking" in render("{% field form.name %}", form=form)
    assert "unpacking" not in render("{% field form.name help='' %}", form=form)
    assert "may stay empty" in render("{% field form.share %}", form=form)


def test_the_summary_links_every_fault_to_something_on_the_page():
    form = PieceForm({"height": "-3"})
    form.add_error(None, "The kiln is full.")
    page = render_to_string("coop/_form.html", {"form": form, "once_key": "k"})
    targets = re.findall(r'href="#([^"]+)"', page)
    assert targets == ["id_name", "id_height", "id_shape_group"]
    assert all(page.count(f'id="{target}"') == 1 for target in targets)
    assert "The kiln is full." in page
    assert 'name="once" value="k"' in page


def test_a_form_without_faults_has_no_summary():
    assert "faults" not in render_to_string("coop/_form.html", {"form": PieceForm()})


@pytest.mark.parametrize("kind", ["watch", "reduction", "soda", "unpacking", "grinding", "wash", "wood", ""])
def test_every_caution_ends_with_never_alone(kind):
    page = render_to_string("coop/_caution.html", {"kind": kind})
    assert "Never alone at the fire." in page
    assert "Local codes, fire authorities and licensed practice decide." in page
    assert page.count("<li>") >= (3 if kind else 1)


# --- Pages --------------------------------------------------------------------------------
@pytest.mark.parametrize("code", ["400", "403", "403_csrf", "404", "409", "500", "503"])
def test_pages_of_trouble_need_no_context(code):
    page = render_to_string(f"{code}.html")
    assert page.count("<h1>") == 1
    assert 'href="/"' in page


def test_a_page_carries_the_chosen_theme_and_only_a_known_one():
    request = RequestFactory().get("/")
    for theme, expected in (("night", True), ("dark", True), ("light", True), ("", False), ("neon", False)):
        page = render_to_string("coop/base.html", {"theme": theme, "request": request})
        assert (f'<html lang="en" dir="ltr" data-theme="{theme}">' in page) is expected


@pytest.mark.django_db
def test_the_sign_in_page_says_how_one_gets_an_account(client):
    page = client.get("/accounts/login/").content.decode()
    assert "ask the coordinator of your co-op" in page
    assert "/accounts/signup/" not in page
    assert client.get("/accounts/signup/").status_code == 200


@pytest.mark.django_db
def test_a_wrong_password_is_refused_on_top_of_the_form(client):
    page = client.post("/accounts/login/", {"login": "nobody@example.org", "password": "x"}).content.decode()
    assert 'id="faults"' in page
    assert 'role="alert"' in page


def test_no_template_has_a_style_or_script_of_its_own():
    """They would be dropped by the content security policy; sheets for paper carry their own."""
    root = COOP.parent
    bad = [
        f"{path.relative_to(root)}: {found.group()[:40]}"
        for app in ("coop", "firings", "billing")
        for path in (root / app).rglob("templates/**/*.html")
        if "print" not in path.parts and "mail" not in path.parts
        for found in re.finditer(r"<style|<script(?![^>]*\bsrc=)|\sstyle=|\son[a-z]+=", path.read_text())
    ]
    assert bad == []


def test_every_drawing_asked_for_exists():
    root = COOP.parent
    there = set(re.findall(r'<symbol id="([a-z-]+)"', (COOP / "static/coop/icons.svg").read_text()))
    asked = {
        name
        for app in ("coop", "firings", "billing")
        for path in (root / app).rglob("templates/**/*.html")
        for name in re.findall(r"""{% icon ["']([a-z-]+)["']""", path.read_text())
    }
    assert len(asked) > 5
    assert asked - there == set()


@pytest.mark.slow
def test_paper_comes_out_as_a_tagged_pdf_with_page_numbers():
    from pypdf import PdfReader

    from coop import pdf

    try:
        made = pdf.from_template("print/base.html", {"coop": {"name": "Hollow Lane Kilns"}})
    except pdf.PdfOff as off:
        pytest.skip(str(off))
    sheet = PdfReader(BytesIO(made))
    text = sheet.pages[0].extract_text()
    assert "Hollow Lane Kilns" in text
    assert "page 1 / 1" in text
    assert "/StructTreeRoot" in sheet.trailer["/Root"]


# --- Colours ------------------------------------------------------------------------------
def themes():
    """Theme name to its colours, read from the sheet itself."""
    light = dict(re.findall(r"--([a-z-]+):\s*(#[0-9a-f]{6})", CSS.split("@media (prefers-color-scheme: dark)")[0]))
    found = {"light": light}
    for name, selector in (
        ("dark by device", ':root:not([data-theme="light"])'),
        ("dark", ':root[data-theme="dark"]'),
        ("night", ':root:root[data-theme="night"]'),
    ):
        block = CSS.split(f"{selector} {{")[1].split("}")[0]
        found[name] = light | dict(re.findall(r"--([a-z-]+):\s*(#[0-9a-f]{6})", block))
    return found


def contrast(one, other):
    """WCAG 2.2, definition of contrast ratio and relative luminance."""

    def luminance(colour):
        parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
        r, g, b = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
        return 0.2126 * r + 0.7152 * g + 0.0722 * b

    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def test_the_contrast_of_black_on_white_is_21():
    assert contrast("#000000", "#ffffff") == pytest.approx(21)


@pytest.mark.parametrize("name", ["light", "dark by device", "dark", "night"])
def test_text_keeps_seven_to_one_and_lines_three_to_one(name):
    colours = themes()[name]
    grounds = ("paper", "sheet")
    pairs = [(text, ground) for text in ("ink", "ash", "clay", "stop") for ground in grounds]
    pairs += [("ink", "sunk"), ("on-slab", "slab"), ("clay", "sheet")]
    pairs += [(tone, f"{tone}-bed") for tone in ("ok", "warn", "stop", "note")]
    pairs += [("ink", f"{tone}-bed") for tone in ("ok", "warn", "stop", "note")]
    weak = {pair: round(c, 2) for pair in pairs if (c := contrast(*(colours[p] for p in pair))) < 7}
    faint = {pair: round(c, 2) for pair in [(x, y) for x in ("line", "focus", "clay") for y in grounds]
             if (c := contrast(*(colours[p] for p in pair))) < 3}  # fmt: skip
    assert (weak, faint) == ({}, {})
