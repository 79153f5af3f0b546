"""A column's default is made once for all rows that are there; each firing gets a seed of its own."""

from django.db import migrations

from firings.models.firings import new_seed


def give_each_its_own(apps, schema_editor):
    Firing = apps.get_model("firings", "Firing")
    for firing in Firing.objects.only("pk").iterator():
        Firing.objects.filter(pk=firing.pk).update(draw_seed=new_seed())


class Migration(migrations.Migration):

    dependencies = [
        ('coop', '0001_initial'),
        ('firings', '0003_draw_seed'),
    ]

    operations = [
        migrations.RunPython(give_each_its_own, migrations.RunPython.noop),
    ]
