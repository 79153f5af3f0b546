"""Probes and loggers of a kiln, as its page and the API show them."""

from __future__ import annotations

from uuid import UUID

from django.utils.translation import gettext as _

from coop.errors import NotFound
from coop.models import Coop
from firings.models import Kiln, Logger, Probe


def probes_of(kiln: Kiln) -> list[Probe]:
    rows = Probe.objects.filter(coop=kiln.coop_id, kiln=kiln, retired_at=None)
    return list(rows.select_related("changed_by__person"))


def loggers_of(kiln: Kiln) -> list[Logger]:
    rows = Logger.objects.filter(coop=kiln.coop_id, kiln=kiln, revoked_at=None)
    return list(rows.select_related("made_by__person"))


def probe_for(coop: Coop, probe_id: UUID) -> Probe:
    """One probe in use, with its kiln. Raises NotFound."""
    found: Probe | None = (
        Probe.objects.of(coop).filter(public_id=probe_id, retired_at=None).select_related("kiln").first()
    )
    if found is None:
        raise NotFound(_("There is no such probe here."))
    return found


def logger_for(coop: Coop, logger_id: UUID) -> Logger:
    """One logger whose key stands, with its kiln. Raises NotFound."""
    found: Logger | None = (
        Logger.objects.of(coop).filter(public_id=logger_id, revoked_at=None).select_related("kiln").first()
    )
    if found is None:
        raise NotFound(_("There is no such logger here."))
    return found
