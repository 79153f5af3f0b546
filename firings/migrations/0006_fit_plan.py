import django.db.models.deletion
import uuid
from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('coop', '0001_initial'),
        ('firings', '0005_allotment'),
    ]

    operations = [
        migrations.CreateModel(
            name='FitPlan',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('public_id', models.UUIDField(default=uuid.uuid4, editable=False, unique=True)),
                ('request', models.JSONField()),
                ('plan', models.JSONField()),
                ('pieces', models.CharField(max_length=64)),
                ('made_at', models.DateTimeField()),
                ('coop', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='coop.coop')),
                ('firing', models.OneToOneField(on_delete=django.db.models.deletion.CASCADE, related_name='fit_plan', to='firings.firing')),
            ],
            options={
                'constraints': [models.CheckConstraint(condition=models.Q(('pieces', ''), _negated=True), name='fit_plan_knows_its_pieces')],
            },
        ),
    ]
