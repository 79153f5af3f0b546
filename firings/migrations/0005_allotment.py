import django.db.models.deletion
import uuid
from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('coop', '0001_initial'),
        ('firings', '0004_draw_seed_of_each_firing'),
    ]

    operations = [
        migrations.AddField(
            model_name='piece',
            name='allotted_place',
            field=models.PositiveIntegerField(null=True),
        ),
        migrations.CreateModel(
            name='Allotment',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('public_id', models.UUIDField(default=uuid.uuid4, editable=False, unique=True)),
                ('version', models.PositiveIntegerField()),
                ('state', models.CharField(choices=[('proposed', 'proposed'), ('accepted', 'accepted'), ('replaced', 'replaced')], default='proposed', max_length=8)),
                ('rule', models.CharField(max_length=20)),
                ('request', models.JSONField()),
                ('answer', models.JSONField()),
                ('pieces', models.CharField(max_length=64)),
                ('made_at', models.DateTimeField()),
                ('accepted_at', models.DateTimeField(null=True)),
                ('accepted_by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to='coop.membership')),
                ('coop', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='coop.coop')),
                ('firing', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='allotments', to='firings.firing')),
                ('made_by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to='coop.membership')),
            ],
            options={
                'ordering': ['-version'],
                'constraints': [models.UniqueConstraint(fields=('coop', 'firing', 'version'), name='allotment_version_used_once'), models.UniqueConstraint(condition=models.Q(('state', 'accepted')), fields=('coop', 'firing'), name='space_shared_out_once'), models.CheckConstraint(condition=models.Q(models.Q(('accepted_at__isnull', False), ('state', 'accepted')), models.Q(models.Q(('state', 'accepted'), _negated=True), ('accepted_at', None)), _connector='OR'), name='accepted_allotment_has_a_moment')],
            },
        ),
    ]
