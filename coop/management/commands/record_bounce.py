"""Read a mail that says another one did not arrive (RFC 3464), and note it on the notice it is about."""

from __future__ import annotations

import sys
from email import message_from_binary_file, policy
from email.message import EmailMessage
from typing import Any

from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone

from coop import services
from coop.mail import notice_of
from coop.models import Notice


class Command(BaseCommand):
    help = "Note a bounce: the mail server pipes each mail to the sender's address in. Others are passed over."

    def handle(self, *args: Any, **options: Any) -> None:
        mail = message_from_binary_file(sys.stdin.buffer, _class=EmailMessage, policy=policy.default)
        found = notice_of(mail)
        if found is None:
            self.stdout.write("This mail is no bounce of ours; nothing was noted.")
            return
        notice_id, why = found
        notice = Notice.objects.select_related("coop").filter(public_id=notice_id).first()
        if notice is None:
            raise CommandError(f"There is no notice {notice_id} here.")
        services.note_bounce(notice.coop, by=None, notice_id=notice_id, why=why, now=timezone.now())
        self.stdout.write(f"Noted: mail to {notice.to_email} came back.")
