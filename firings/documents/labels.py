"""Labels for the pieces of a firing: piece, owner, mark, and where it stands."""

from __future__ import annotations

import io
from datetime import datetime
from typing import Any

import segno
from django.conf import settings
from django.urls import reverse
from django.utils.text import slugify
from django.utils.translation import gettext as _

from coop import documents, pdf
from coop.computations import work
from coop.errors import Refused
from coop.models import Computation, Coop, Membership
from firings.documents.load_sheets import PAPERS, picture
from firings.models import Firing, Piece
from firings.queries.load_plans import where_pieces_stand

MOST_LABELS = 3000


def code_for(coop: Coop, piece: Piece) -> str:
    """A QR code as a data: address; it holds the address of the piece's page, which only the co-op's members see."""
    address = reverse("piece", kwargs={"coop": coop.slug, "piece": piece.public_id})
    drawn = io.BytesIO()
    code = segno.make(f"{settings.SITE_URL}{address}", error="m", micro=False)
    code.save(drawn, kind="svg", xmldecl=False, scale=4, border=4, dark="#000", light="#fff")
    return picture(drawn.getvalue().decode())


@work("piece_labels")
def set_labels(computation: Computation, now: datetime) -> dict[str, Any]:
    """One label a pot as PDF, kept as a paper; one member's own labels are for that member."""
    coop = computation.coop
    firing: Firing | None = Firing.objects.of(coop).filter(public_id=computation.subject).select_related("kiln").first()
    if firing is None:
        raise Refused(_("This firing is not there any more."))
    rows = (
        Piece.objects.of(coop)
        .filter(booking__firing=firing)
        .held()
        .select_related("booking__member__person", "zone__zone")
        .order_by("booking__member__person__name", "booking__member", "importance", "pk")
    )
    whose: Membership | None = None
    if pk := computation.request.get("member"):
        whose = Membership.objects.of(coop).filter(pk=pk).first()
        rows = rows.filter(booking__member=whose)
    places = where_pieces_stand(firing)
    labels = [
        {"piece": piece, "copy": copy, "where": places.get(piece.pk, ""), "code": code}
        for piece in rows
        for code in [code_for(coop, piece)]
        for copy in range(1, piece.count + 1)
    ]
    if len(labels) > MOST_LABELS:
        raise Refused(_("There are more than %(most)s labels; print each member's own.") % {"most": MOST_LABELS})
    context = {
        "coop": coop,
        "firing": firing,
        "labels": labels,
        "paper": PAPERS[computation.request.get("paper", "a4")],
        "now": now,
        "document_title": _("Labels: %(firing)s") % {"firing": firing.name},
    }
    document = documents.keep(
        coop,
        kind="piece_labels",
        subject=firing.public_id,
        title=_("Piece labels of %(firing)s") % {"firing": firing.name},
        file_name=f"labels-{slugify(firing.name) or 'firing'}.pdf",
        content=pdf.from_template("print/labels.html", context),
        now=now,
        for_membership=whose,
        computation=computation,
    )
    return {"document": str(document.public_id)}
