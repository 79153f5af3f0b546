import firings.models.firings
from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('coop', '0001_initial'),
        ('firings', '0002_furniture_stock'),
    ]

    operations = [
        migrations.AddField(
            model_name='firing',
            name='draw_seed',
            field=models.CharField(default=firings.models.firings.new_seed, editable=False, max_length=64),
        ),
    ]
