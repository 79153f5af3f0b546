"""The space page of a firing: how full it is, my pieces, lists of pieces, what was brought."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from uuid import UUID

from django import forms
from django.contrib import messages
from django.core.paginator import Paginator
from django.http import HttpResponse, HttpResponseRedirect
from django.shortcuts import render
from django.urls import path, reverse
from django.utils import timezone
from django.utils.cache import add_never_cache_headers, patch_vary_headers
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from coop.access import allowed
from coop.errors import Malformed, NotFound, Refused
from coop.http import CoopRequest, coop_action, coop_form, coop_page
from coop.models import Computation, Membership
from coop.money import format_local
from coop.queries import ahead_of
from coop.transactions import once, reading
from firings.access import check_leads, check_takes_part
from firings.forms.space import ListFileForm, ListForm, PieceForm
from firings.models import Firing, Material, Piece
from firings.queries import allotments as allotment_queries
from firings.queries import fits as fit_queries
from firings.queries import space as queries
from firings.queries.firings import firing_of
from firings.queries.fits import FitView
from firings.queries.space import PAGE
from firings.services import fits
from firings.services import space as services
from firings.services.fits import FitAnswer
from firings.services.space import PieceSpec
from firings.tables import PieceRow, RowFault, Table, read_pieces

SAMPLES = Path(__file__).resolve().parent.parent / "samples"
MOST_FAULTS_SHOWN = 50


def piece_of(request: CoopRequest, firing: Firing, public_id: UUID) -> Piece:
    """A piece of this firing. Raises NotFound."""
    found: Piece | None = (
        Piece.objects.of(request.coop)
        .filter(public_id=public_id, booking__firing=firing)
        .select_related("booking__member__person", "zone__zone", "wished_zone__zone")
        .first()
    )
    if found is None:
        raise NotFound(_("There is no such piece here."))
    return found


@coop_page
def firing_space(request: CoopRequest, firing: UUID) -> HttpResponse:
    row = firing_of(request.coop, firing)
    pieces = queries.pieces_of(row, request.membership)
    waiting = queries.waiting_list(row)
    fit = fit_queries.view_of(row)
    spaces = queries.space_by_zone(row, request.membership)
    places = {piece.pk: place for place, piece in enumerate(waiting, start=1)}
    mine = {piece.pk for piece in pieces}
    page = Paginator([_mine(piece, places, fit) for piece in pieces], PAGE).get_page(request.GET.get("page"))
    return render(
        request,
        "firings/firing_space.html",
        {
            "firing": row,
            "spaces": spaces,
            "page": page,
            "pieces_ml": sum(piece.asked_ml for piece in pieces if piece.state == Piece.State.HELD),
            "rough_cost": _rough_cost(request, row, pieces),
            "fit": fit,
            "beside_the_litres": fit_queries.beside_the_litres(fit, spaces, len(waiting)) if fit is not None else "",
            "my_unplaced": [one for one in fit.unplaced if one.piece_pk in mine] if fit is not None else [],
            "filler": fit_queries.say_filler(fit.filler, request.user) if fit is not None else [],
            "is_being_planned": fit_queries.is_being_planned(row),
            "draw": allotment_queries.draw_of(row),
            "waiting": waiting[:PAGE],
            "waiting_more": max(len(waiting) - PAGE, 0),
            "cap_ml": queries.terms_of(row).cap_ml_per_member,
            "is_open": row.stage == Firing.Stage.BOOKING and timezone.now() < row.booking_closes_at,
            "leads": allowed(check_leads, request.membership, row),
            "may_book": allowed(check_takes_part, request.membership, row),
            "counts_in": row.stage in (Firing.Stage.ALLOTTED, Firing.Stage.LOADING),
            "may_withdraw": row.stage in (Firing.Stage.BOOKING, Firing.Stage.ALLOTTED, Firing.Stage.LOADING),
        },
    )


@dataclass(frozen=True, slots=True)
class MyPiece:
    """One of my rows: its place in line while it waits (else 0), and what the newest plan says of it."""

    piece: Piece
    place: int
    is_planned: bool
    pots_out: int


def _mine(piece: Piece, places: Mapping[int, int], fit: FitView | None) -> MyPiece:
    is_planned = fit is not None and piece.pk in fit.known
    return MyPiece(piece, places.get(piece.pk, 0), is_planned, fit.out_of(piece.pk) if fit is not None else 0)


@coop_form
def piece_add(request: CoopRequest, firing: UUID) -> HttpResponse:
    row = firing_of(request.coop, firing)
    form = _piece_form(request, row, data=request.POST if request.method == "POST" else None)
    if request.method != "POST":
        return _show_piece(request, row, form)
    if not form.is_valid():
        return _show_piece(request, row, form, status=400)
    try:
        piece = services.list_piece(
            request.coop,
            by=request.membership,
            now=timezone.now(),
            firing_id=firing,
            piece=form.spec(),
            member_id=_whose(form),
        )
    except Refused as no:
        form.refuse(no)
        return _show_piece(request, row, form, status=no.status)
    _say_what_happened(request, row, piece)
    return _to_space(request, firing)


@coop_form
def piece_change(request: CoopRequest, firing: UUID, piece: UUID) -> HttpResponse:
    row = firing_of(request.coop, firing)
    old = piece_of(request, row, piece)
    form = _piece_form(request, row, data=request.POST if request.method == "POST" else None, piece=old)
    if request.method != "POST":
        return _show_piece(request, row, form, piece=old)
    if not form.is_valid():
        return _show_piece(request, row, form, piece=old, status=400)
    try:
        changed = services.change_piece(
            request.coop, by=request.membership, now=timezone.now(), piece_id=piece, piece=form.spec()
        )
    except Refused as no:
        form.refuse(no)
        return _show_piece(request, row, form, piece=old, status=no.status)
    _say_what_happened(request, row, changed)
    return _to_space(request, firing)


@coop_form
def piece_fits(request: CoopRequest, firing: UUID, piece: UUID | None = None) -> HttpResponse:
    """Does it fit? Answered for the piece as typed, without booking it: in place with htmx, else as a whole page."""
    row = firing_of(request.coop, firing)
    old = piece_of(request, row, piece) if piece is not None else None
    if request.method != "POST":
        return _to_form(request, firing, piece)
    form = _piece_form(request, row, data=request.POST, piece=old)
    if not form.is_valid():
        return _show_fit(request, row, form, piece=old, status=400)
    said: dict[str, Any] = {
        **{"by": request.membership, "now": timezone.now(), "firing_id": firing, "piece": form.spec()},
        **{"member_id": _whose(form), "piece_id": piece},
    }
    try:
        with reading(request.coop):
            takes_long = fits.is_big(row, form.spec())
        if takes_long or not fits.is_ready():
            return _show_fit(request, row, form, piece=old, question=_ask(request, said))
        return _show_fit(request, row, form, piece=old, answer=fits.look(request.coop, **said))
    except Refused as no:
        form.refuse(no)
        return _show_fit(request, row, form, piece=old, status=no.status)


def _ask(request: CoopRequest, said: dict[str, Any]) -> Computation:
    """One form may ask again and again, so a question does not use up the form's key; the booking will."""
    token = once.set(None)
    try:
        return fits.ask(request.coop, **said)
    finally:
        once.reset(token)


@coop_page
def piece_fit_answer(request: CoopRequest, firing: UUID, question: UUID) -> HttpResponse:
    """How far a question is that is worked out beside the page, then its answer, with what was typed."""
    row = firing_of(request.coop, firing)
    asked = fits.question_of(request.coop, by=request.membership, firing_id=row.public_id, computation_id=question)
    changes, member = asked.request["changes"], asked.request["member"] or ""
    old = piece_of(request, row, UUID(changes)) if changes else None
    form = _piece_form(request, row, data=None, piece=old)
    form.type_again(PieceSpec(**asked.request["piece"]), member)
    answer = FitAnswer.from_json(asked.answer) if asked.answer is not None else None
    response = _fit_page(request, row, form, piece=old, answer=answer, question=asked)
    if asked.state == Computation.State.WAITING and not request.headers.get("HX-Request"):
        response["Refresh"] = f"2; url={request.path}"
    add_never_cache_headers(response)
    return response


@coop_action(back="firing_space")
def piece_withdraw(request: CoopRequest, firing: UUID, piece: UUID) -> None:
    piece_of(request, firing_of(request.coop, firing), piece)
    gone = services.withdraw_piece(request.coop, by=request.membership, now=timezone.now(), piece_id=piece)
    messages.success(request, _("“%(piece)s” is withdrawn; its space is free.") % {"piece": gone.name})


@coop_page
def pieces_brought(request: CoopRequest, firing: UUID) -> HttpResponse:
    row = firing_of(request.coop, firing)
    pieces = queries.all_pieces(row)
    page = Paginator(pieces, PAGE).get_page(request.GET.get("page"))
    counted = [piece for piece in pieces if piece.brought is not None]
    return render(
        request,
        "firings/pieces_brought.html",
        {
            "firing": row,
            "page": page,
            "counted": len(counted),
            "rows": len(pieces),
            "booked_pots": sum(piece.count for piece in pieces if piece.state == Piece.State.HELD),
            "brought_pots": sum(piece.brought or 0 for piece in counted),
            "leads": allowed(check_leads, request.membership, row),
            "counts_in": row.stage in (Firing.Stage.ALLOTTED, Firing.Stage.LOADING),
        },
    )


@coop_action(back="pieces_brought")
def piece_brought(request: CoopRequest, firing: UUID, piece: UUID) -> None:
    found = piece_of(request, firing_of(request.coop, firing), piece)
    typed = request.POST.get("brought", "").strip()
    if not typed.isascii() or not typed.isdigit() or len(typed) > 6:
        raise Refused(_("Give how many were brought as a whole number."))
    row = services.bring(
        request.coop, by=request.membership, now=timezone.now(), piece_id=found.public_id, brought=int(typed)
    )
    messages.success(
        request,
        _("%(piece)s: %(brought)s of %(count)s brought.")
        % {"piece": row.name, "brought": row.brought, "count": row.count},
    )


@coop_form
def pieces_paste(request: CoopRequest, firing: UUID) -> HttpResponse:
    """Paste, look at what was understood, then save. Nothing is saved by looking."""
    row = firing_of(request.coop, firing)
    form = ListForm(request.POST if request.method == "POST" else None)
    _hide_for_others(request, row, form)
    if request.method != "POST":
        return _show_paste(request, row, form)
    if not form.is_valid():
        return _show_paste(request, row, form, status=400)
    text, by_name = form.cleaned_data["text"], bool(form.cleaned_data.get("for_others"))
    table = _read(request, text, by_name)
    if table.faults or "save" not in request.POST:
        return _show_review(request, row, text, table, by_name)
    try:
        made = services.list_pieces(
            request.coop,
            by=request.membership,
            now=timezone.now(),
            firing_id=firing,
            rows=table.rows,
            by_name=by_name,
        )
    except Refused as no:
        return _show_review(request, row, text, table, by_name, no=no)
    _say_list(request, made)
    return _to_space(request, firing)


@coop_form
def pieces_upload(request: CoopRequest, firing: UUID) -> HttpResponse:
    """Upload a CSV file; what was understood is shown on the same page as a pasted list."""
    row = firing_of(request.coop, firing)
    form = ListFileForm(*((request.POST, request.FILES) if request.method == "POST" else ()))
    _hide_for_others(request, row, form)
    if request.method != "POST":
        return _show_upload(request, row, form)
    if not form.is_valid():
        return _show_upload(request, row, form, status=400)
    content = form.cleaned_data["file"].read()
    by_name = bool(form.cleaned_data.get("for_others"))
    table = _read(request, content, by_name)
    text = content.decode("utf-8-sig", errors="replace") if not table.faults else ""
    return _show_review(request, row, text, table, by_name)


@coop_page
def pieces_template(request: CoopRequest) -> HttpResponse:
    return _csv("pieces-empty.csv")


@coop_page
def pieces_sample(request: CoopRequest) -> HttpResponse:
    return _csv("pieces.csv")


def _csv(name: str) -> HttpResponse:
    response = HttpResponse((SAMPLES / name).read_bytes(), content_type="text/csv; charset=utf-8")
    response["Content-Disposition"] = f'attachment; filename="{name}"'
    return response


def _to_space(request: CoopRequest, firing: UUID) -> HttpResponse:
    there = reverse("firing_space", kwargs={"coop": request.coop.slug, "firing": firing})
    return HttpResponseRedirect(there, status=303)


def _to_form(request: CoopRequest, firing: UUID, piece: UUID | None) -> HttpResponse:
    """Whoever opens the address of an answer without having typed anything gets the form."""
    more = {"piece": piece} if piece is not None else {}
    name = "piece_change" if piece is not None else "piece_add"
    return HttpResponseRedirect(reverse(name, kwargs={"coop": request.coop.slug, "firing": firing, **more}), status=303)


def _whose(form: PieceForm) -> UUID | None:
    return UUID(form.cleaned_data["member"]) if form.cleaned_data.get("member") else None


def _piece_form(request: CoopRequest, firing: Firing, *, data: Any, piece: Piece | None = None) -> PieceForm:
    with reading(request.coop):
        members: list[Membership] = []
        if piece is None and allowed(check_leads, request.membership, firing):
            others = Membership.objects.of(request.coop).current().exclude(pk=request.membership.pk)
            members = list(others.select_related("person")[:500])
        bodies = list(Material.objects.of(request.coop).filter(kind=Material.Kind.BODY, retired_at=None))
        spaces = queries.space_by_zone(firing)
    return PieceForm(data, person=request.user, zones=spaces, bodies=bodies, members=members, piece=piece)


def _show_piece(
    request: CoopRequest, firing: Firing, form: PieceForm, *, piece: Piece | None = None, status: int = 200
) -> HttpResponse:
    with reading(request.coop):
        return render(request, "firings/piece_form.html", _form_context(firing, form, piece), status=status)


def _form_context(firing: Firing, form: PieceForm, piece: Piece | None) -> dict[str, Any]:
    return {"firing": firing, "form": form, "piece": piece, "spaces": queries.space_by_zone(firing)}


def _show_fit(
    request: CoopRequest,
    firing: Firing,
    form: PieceForm,
    *,
    piece: Piece | None,
    answer: FitAnswer | None = None,
    question: Computation | None = None,
    status: int = 200,
) -> HttpResponse:
    """The answer in place (htmx takes no page with a fault's status), the question's own page, or the whole form."""
    in_place = bool(request.headers.get("HX-Request"))
    if question is not None and not in_place:
        there = {"coop": request.coop.slug, "firing": firing.public_id, "question": question.public_id}
        return HttpResponseRedirect(reverse("piece_fit_answer", kwargs=there), status=303)
    with reading(request.coop):
        response = _fit_page(request, firing, form, piece=piece, answer=answer, question=question)
    response.status_code = 200 if in_place else status
    return response


def _fit_page(
    request: CoopRequest,
    firing: Firing,
    form: PieceForm,
    *,
    piece: Piece | None,
    answer: FitAnswer | None,
    question: Computation | None = None,
) -> HttpResponse:
    template = "firings/_fit_answer.html" if request.headers.get("HX-Request") else "firings/piece_form.html"
    is_waiting = question is not None and question.state == Computation.State.WAITING
    context = {
        **_form_context(firing, form, piece),
        "answer": answer,
        "question": question,
        "question_waits": is_waiting,
        "ahead": ahead_of(question) if question is not None and is_waiting else 0,
        "filler": fit_queries.say_filler(answer.filler, request.user) if answer is not None else [],
    }
    response = render(request, template, context)
    patch_vary_headers(response, ["HX-Request"])
    return response


def _hide_for_others(request: CoopRequest, firing: Firing, form: forms.Form) -> None:
    with reading(request.coop):
        if not allowed(check_leads, request.membership, firing):
            del form.fields["for_others"]


def _show_paste(request: CoopRequest, firing: Firing, form: ListForm, *, status: int = 200) -> HttpResponse:
    with reading(request.coop):
        return render(request, "firings/pieces_paste.html", {"firing": firing, "form": form}, status=status)


def _show_upload(request: CoopRequest, firing: Firing, form: ListFileForm, *, status: int = 200) -> HttpResponse:
    with reading(request.coop):
        return render(request, "firings/pieces_upload.html", {"firing": firing, "form": form}, status=status)


def _show_review(
    request: CoopRequest,
    firing: Firing,
    text: str,
    table: Table[PieceRow],
    by_name: bool,
    *,
    no: Refused | None = None,
) -> HttpResponse:
    faults: list[RowFault | str] = list(table.faults)
    if no is not None:
        faults = list(no.faults) if isinstance(no, Malformed) else [str(no)]
    initial = {"text": text, "for_others": by_name}
    form = ListForm(initial=initial)
    _hide_for_others(request, firing, form)
    with reading(request.coop):
        return render(
            request,
            "firings/pieces_review.html",
            {
                "firing": firing,
                "form": form,
                "text": text,
                "by_name": by_name,
                "rows": table.rows[:PAGE],
                "row_count": len(table.rows),
                "rows_more": max(len(table.rows) - PAGE, 0),
                "pots": sum(row.count for row in table.rows),
                "faults": faults[:MOST_FAULTS_SHOWN],
                "fault_count": len(faults),
                "faults_more": max(len(faults) - MOST_FAULTS_SHOWN, 0),
            },
            status=(no.status if no is not None else 400) if faults else 200,
        )


def _read(request: CoopRequest, source: str | bytes, by_name: bool) -> Table[PieceRow]:
    return read_pieces(source, member=None if by_name else request.membership.name)


def _rough_cost(request: CoopRequest, firing: Firing, pieces: list[Piece]) -> str:
    ml = sum(piece.asked_ml for piece in pieces if piece.state == Piece.State.HELD)
    minor = queries.rough_cost_minor(firing, ml, queries.space_by_zone(firing), queries.terms_of(firing))
    return "" if minor is None else format_local(minor, request.coop.currency, request.LANGUAGE_CODE)


def _say_what_happened(request: CoopRequest, firing: Firing, piece: Piece) -> None:
    """Whether it fits, how many litres, what it will roughly cost; or its place in line."""
    with reading(request.coop):
        spaces, terms = queries.space_by_zone(firing), queries.terms_of(firing)
        minor = queries.rough_cost_minor(firing, piece.asked_ml, spaces, terms)
        place = queries.places_in_line(firing).get(piece.pk, 0)
    said = {"piece": piece.name, "litres": queries.litres(piece.asked_ml), "place": place}
    if piece.state == Piece.State.HELD and piece.zone is not None:
        text = _("“%(piece)s” holds %(litres)s l in %(zone)s.") % {**said, "zone": piece.zone.zone.name}
        if minor is not None:
            cost = format_local(minor, request.coop.currency, request.LANGUAGE_CODE)
            text += " " + _("Roughly %(cost)s; the bill after the fire decides.") % {"cost": cost}
        text += " " + _("Whether the boards take it all is being planned; this page says so in a moment.")
        messages.success(request, text)
        return
    messages.warning(
        request,
        _(
            "There is not enough space now: “%(piece)s” asks %(litres)s l and is number %(place)s on the waiting list. "
            "You get a mail when it moves up."
        )
        % said,
    )


def _say_list(request: CoopRequest, made: list[Piece]) -> None:
    held = [piece for piece in made if piece.state == Piece.State.HELD]
    waiting = len(made) - len(held)
    text = ngettext("%(n)s row saved: %(held)s with space", "%(n)s rows saved: %(held)s with space", len(made)) % {
        "n": len(made),
        "held": len(held),
    }
    text += _(" (%(litres)s l)") % {"litres": queries.litres(sum(piece.asked_ml for piece in held))}
    if waiting:
        messages.warning(request, text + _(", %(waiting)s on the waiting list.") % {"waiting": waiting})
    else:
        messages.success(request, text + ".")


_SPACE = "firings/<uuid:firing>/space/"
urls = [
    path(_SPACE, firing_space, name="firing_space"),
    path(f"{_SPACE}pieces/new/", piece_add, name="piece_add"),
    path(f"{_SPACE}pieces/paste/", pieces_paste, name="pieces_paste"),
    path(f"{_SPACE}pieces/upload/", pieces_upload, name="pieces_upload"),
    path(f"{_SPACE}pieces/fits/", piece_fits, name="piece_fits"),
    path(f"{_SPACE}pieces/fits/<uuid:question>/", piece_fit_answer, name="piece_fit_answer"),
    path(f"{_SPACE}pieces/<uuid:piece>/fits/", piece_fits, name="piece_change_fits"),
    path(f"{_SPACE}pieces/brought/", pieces_brought, name="pieces_brought"),
    path(f"{_SPACE}pieces/<uuid:piece>/", piece_change, name="piece_change"),
    path(f"{_SPACE}pieces/<uuid:piece>/withdraw/", piece_withdraw, name="piece_withdraw"),
    path(f"{_SPACE}pieces/<uuid:piece>/brought/", piece_brought, name="piece_brought"),
    path("pieces/template.csv", pieces_template, name="pieces_template"),
    path("pieces/sample.csv", pieces_sample, name="pieces_sample"),
]
