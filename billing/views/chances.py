"""Go or no-go for the lead of a firing; the kiln reserve for the treasurer. Both only read."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.http import HttpResponse
from django.shortcuts import render
from django.urls import URLPattern, path
from django.utils.translation import gettext as _

from billing import chances, drawings
from billing.forms import ReserveForm
from billing.queries import chances as queries
from coop import money
from coop.errors import Malformed
from coop.forms import add_refusal
from coop.http import CoopRequest, coop_page
from coop.templatetags.look import money as shown


@coop_page
def go_or_not(request: CoopRequest, firing: UUID) -> HttpResponse:
    """Will fill, crew and wood be enough, and what does a litre cost at each fill?"""
    found = queries.go_or_not(request.coop, firing, request.membership)
    context = {"firing": found.firing, "found": found, "currency": request.coop.currency}
    points = [(at / 2, chances.at_least(found.chances, at / 200) * 100) for at in range(0, 201, 5)]
    context["fill_chart"] = drawings.curve(
        [("solid", points), ("dashed", [(found.least_percent, 0), (found.least_percent, 100)])],
        width=100,
        top=100,
        across=[(at, f"{at} %") for at in (0, 25, 50, 75, 100)],
        up=[(at, f"{at} %") for at in (0, 50, 100)],
        label=_("How likely it is that at least so much of the kiln is brought; dashed: the fill it goes ahead from."),
    )
    if found.rows and found.rows[0].price is not None:
        rows = [(row.percent, row.price) for row in found.rows if row.price is not None]
        top = max(price.high for _percent, price in rows) or 1
        context["price_chart"] = drawings.curve(
            [
                ("dotted", [(percent, price.low) for percent, price in rows]),
                ("solid", [(percent, price.likely) for percent, price in rows]),
                ("dotted", [(percent, price.high) for percent, price in rows]),
            ],
            width=100,
            top=top,
            across=[(at, f"{at} %") for at in (0, 25, 50, 75, 100)],
            up=[(0, "0"), (top, money.format_plain(top, request.coop.currency))],
            label=_("What a litre costs at each fill; dotted: with the lowest and the highest bills."),
        )
    return render(request, "billing/go_or_not.html", context)


@coop_page
def reserve(request: CoopRequest) -> HttpResponse:
    """What levy builds the next kiln."""
    facts = queries.reserve_facts(request.coop, request.membership)
    currency = request.coop.currency
    initial = {
        "litres": facts.litres or "",
        "litres_margin": facts.litres_margin,
        "firings_margin": 0,
        "cost_margin": 0,
    }
    form = ReserveForm(request.GET if "cost" in request.GET else None, currency=currency, initial=initial)
    context: dict[str, Any] = {"facts": facts, "form": form, "currency": currency, "found": None}
    status = 200
    if form.is_bound:
        try:
            context |= _reckoned(request, facts, form)
        except Malformed as no:
            add_refusal(form, no)
        if form.errors:
            status = 400
    return render(request, "billing/reserve.html", context, status=status)


def _reckoned(request: CoopRequest, facts: queries.ReserveFacts, form: ReserveForm) -> dict[str, Any]:
    if not form.is_valid():
        return {}
    said = form.cleaned_data
    found = queries.reserve_plan(facts, chances.Rebuild(fund=facts.fund_minor, **said))
    plan, currency = found.plan, request.coop.currency
    last = found.now[-1].firings
    top = max([plan.cost, *(step.high for step in found.now), *(step.likely for step in found.needed)])
    chart = drawings.curve(
        [
            ("solid", [(step.firings, step.likely) for step in found.now]),
            ("dotted", [(step.firings, step.low) for step in found.now]),
            ("dotted", [(step.firings, step.high) for step in found.now]),
            ("dash-dot", [(step.firings, step.likely) for step in found.needed]),
            ("dashed", [(0, plan.cost), (last, plan.cost)]),
        ],
        width=last,
        top=top,
        across=[(0, "0"), (last, str(last))],
        up=[(0, "0"), (plan.cost, money.format_plain(round(plan.cost), currency).split(".")[0])],
        label=_(
            "The fund firing by firing with today's levy; dotted: within 80 %; dashed: the cost; dashes and dots: with "
            "the levy that is enough in 80 %."
        ),
    )
    steps = max(1, last // 10)
    levies = [(level, None if levy is None else shown(-int(-levy // 1), currency)) for level, levy in found.levies]
    return {
        "found": found,
        "chart": chart,
        "levies": levies,
        "steps": [step for step in found.now if not step.firings % steps or step.firings == last],
    }


urls: list[URLPattern] = [
    path("firings/<uuid:firing>/go-or-not/", go_or_not, name="go_or_not"),
    path("money/reserve/", reserve, name="reserve"),
]
