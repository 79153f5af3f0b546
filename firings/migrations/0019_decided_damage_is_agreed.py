"""Damage decided before a second person was asked for counts as agreed on when it was decided."""

from django.db import migrations
from django.db.models import F


def agree(apps, schema_editor):
    damage = apps.get_model("firings", "Damage")
    damage.objects.exclude(bearer="open").filter(agreed_at=None).update(agreed_at=F("decided_at"))


class Migration(migrations.Migration):
    dependencies = [("firings", "0018_damage_two_decide")]

    operations = [migrations.RunPython(agree, migrations.RunPython.noop)]
