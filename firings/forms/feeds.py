"""The form that makes a calendar link."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from django import forms
from django.utils.translation import gettext_lazy as _

from firings.models import Kiln


class FeedForm(forms.Form):
    """What the calendar shall show; nothing named means one's own watches and chores."""

    of = forms.TypedChoiceField(label=_("Calendar of"), required=False, coerce=lambda text: text, empty_value=None)

    def __init__(self, data: Any = None, *, kilns: Iterable[Kiln]) -> None:
        super().__init__(data)
        self.fields["of"].choices = [  # type: ignore[attr-defined]
            ("", _("my watches, chores and firings")),
            *((str(kiln.public_id), _("kiln: %(name)s") % {"name": kiln.name}) for kiln in kilns),
        ]
