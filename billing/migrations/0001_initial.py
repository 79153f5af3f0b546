import django.db.models.deletion
import uuid
from django.db import migrations, models


class Migration(migrations.Migration):

    initial = True

    dependencies = [
        ('coop', '0001_initial'),
        ('firings', '0001_initial'),
    ]

    operations = [
        migrations.CreateModel(
            name='Account',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('public_id', models.UUIDField(default=uuid.uuid4, editable=False, unique=True)),
                ('code', models.CharField(max_length=60)),
                ('name', models.CharField(max_length=120)),
                ('kind', models.CharField(choices=[('member', 'member'), ('bank', 'bank and cash'), ('cost', 'firing costs'), ('reserve', 'kiln reserve'), ('fund', "co-op's fund")], max_length=8)),
                ('coop', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='coop.coop')),
                ('member', models.OneToOneField(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='account', to='coop.membership')),
            ],
            options={
                'ordering': ['code'],
                'constraints': [models.UniqueConstraint(fields=('coop', 'code'), name='account_code_used_once'), models.CheckConstraint(condition=models.Q(models.Q(('kind', 'member'), ('member__isnull', False)), models.Q(models.Q(('kind', 'member'), _negated=True), ('member', None)), _connector='OR'), name='member_account_has_a_member')],
            },
        ),
        migrations.CreateModel(
            name='CostPool',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('public_id', models.UUIDField(default=uuid.uuid4, editable=False, unique=True)),
                ('pool', models.CharField(choices=[('wood', 'wood'), ('soda', 'soda'), ('shelf_wash', 'shelf wash and wear'), ('wads_cones', 'wads and cones'), ('permit', 'permit'), ('per_head', 'per head'), ('reserve', 'kiln reserve'), ('breakage', 'breakage')], max_length=10)),
                ('key', models.CharField(max_length=40)),
                ('bill_minor', models.BigIntegerField()),
                ('fund_minor', models.BigIntegerField(default=0)),
                ('coop', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='coop.coop')),
            ],
            options={
                'ordering': ['pk'],
            },
        ),
        migrations.CreateModel(
            name='CostShare',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('public_id', models.UUIDField(default=uuid.uuid4, editable=False, unique=True)),
                ('amount_minor', models.BigIntegerField()),
                ('working', models.JSONField(default=dict)),
                ('coop', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='coop.coop')),
                ('member', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='cost_shares', to='coop.membership')),
                ('pool', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='shares', to='billing.costpool')),
            ],
            options={
                'ordering': ['member__person__name', 'pool'],
                'constraints': [models.UniqueConstraint(fields=('coop', 'pool', 'member'), name='one_share_per_pool')],
            },
        ),
        migrations.CreateModel(
            name='Posting',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('public_id', models.UUIDField(default=uuid.uuid4, editable=False, unique=True)),
                ('number', models.PositiveIntegerField()),
                ('key', models.CharField(max_length=120)),
                ('kind', models.CharField(max_length=20)),
                ('on', models.DateField()),
                ('at', models.DateTimeField()),
                ('text', models.CharField(max_length=200)),
                ('currency', models.CharField(max_length=3)),
                ('line_count', models.PositiveSmallIntegerField()),
                ('previous_hash', models.CharField(max_length=64)),
                ('hash', models.CharField(max_length=64)),
                ('by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to='coop.membership')),
                ('coop', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='coop.coop')),
                ('reverses', models.OneToOneField(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='reversed_by', to='billing.posting')),
            ],
            options={
                'ordering': ['-number'],
                'constraints': [models.UniqueConstraint(fields=('coop', 'number'), name='posting_numbered_once'), models.UniqueConstraint(fields=('coop', 'key'), name='posted_once_per_key'), models.CheckConstraint(condition=models.Q(('line_count__gte', 2)), name='posting_has_two_lines_or_more')],
            },
        ),
        migrations.CreateModel(
            name='Payment',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('public_id', models.UUIDField(default=uuid.uuid4, editable=False, unique=True)),
                ('on', models.DateField(verbose_name='date')),
                ('amount_minor', models.BigIntegerField(verbose_name='amount')),
                ('currency', models.CharField(max_length=3)),
                ('way', models.CharField(choices=[('bank', 'bank transfer'), ('cash', 'cash')], default='bank', max_length=4, verbose_name='how')),
                ('reference', models.CharField(blank=True, max_length=40, verbose_name='reference')),
                ('note', models.CharField(blank=True, max_length=200, verbose_name='note')),
                ('entered_at', models.DateTimeField()),
                ('coop', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='coop.coop')),
                ('entered_by', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='coop.membership')),
                ('member', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='payments', to='coop.membership')),
                ('posting', models.OneToOneField(on_delete=django.db.models.deletion.PROTECT, related_name='payment', to='billing.posting')),
            ],
            options={
                'ordering': ['-on', '-pk'],
                'constraints': [models.CheckConstraint(condition=models.Q(('amount_minor', 0), _negated=True), name='payment_is_not_nothing')],
            },
        ),
        migrations.CreateModel(
            name='Line',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('public_id', models.UUIDField(default=uuid.uuid4, editable=False, unique=True)),
                ('amount_minor', models.BigIntegerField()),
                ('account', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='lines', to='billing.account')),
                ('coop', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='coop.coop')),
                ('posting', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='lines', to='billing.posting')),
            ],
            options={
                'ordering': ['pk'],
                'indexes': [models.Index(fields=['account'], name='line_by_account')],
                'constraints': [models.CheckConstraint(condition=models.Q(('amount_minor', 0), _negated=True), name='line_is_not_nothing')],
            },
        ),
        migrations.CreateModel(
            name='Receipt',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('public_id', models.UUIDField(default=uuid.uuid4, editable=False, unique=True)),
                ('on', models.DateField(verbose_name='date')),
                ('pool', models.CharField(choices=[('wood', 'wood'), ('soda', 'soda'), ('shelf_wash', 'shelf wash and wear'), ('wads_cones', 'wads and cones'), ('permit', 'permit'), ('per_head', 'per head'), ('reserve', 'kiln reserve'), ('breakage', 'breakage')], max_length=10, verbose_name='for')),
                ('amount_minor', models.BigIntegerField(verbose_name='amount')),
                ('currency', models.CharField(max_length=3)),
                ('supplier', models.CharField(blank=True, max_length=120, verbose_name='from whom')),
                ('note', models.CharField(blank=True, max_length=200, verbose_name='note')),
                ('entered_at', models.DateTimeField()),
                ('withdrawn_at', models.DateTimeField(null=True)),
                ('coop', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='coop.coop')),
                ('entered_by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to='coop.membership')),
                ('firing', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='receipts', to='firings.firing')),
                ('paid_by', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to='coop.membership')),
            ],
            options={
                'ordering': ['on', 'pk'],
                'constraints': [models.CheckConstraint(condition=models.Q(('amount_minor', 0), _negated=True), name='receipt_is_not_nothing'), models.CheckConstraint(condition=models.Q(('pool__in', ['wood', 'soda', 'shelf_wash', 'wads_cones', 'permit', 'per_head', 'reserve', 'breakage'])), name='receipt_pool_is_known')],
            },
        ),
        migrations.CreateModel(
            name='Settlement',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('public_id', models.UUIDField(default=uuid.uuid4, editable=False, unique=True)),
                ('version', models.PositiveIntegerField()),
                ('state', models.CharField(choices=[('draft', 'draft'), ('questions', 'open for questions'), ('posted', 'posted'), ('reversed', 'reversed'), ('replaced', 'replaced by a newer draft')], default='draft', max_length=9)),
                ('request', models.JSONField()),
                ('answer', models.JSONField()),
                ('drafted_at', models.DateTimeField()),
                ('questions_until', models.DateTimeField(null=True)),
                ('posted_at', models.DateTimeField(null=True)),
                ('coop', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='coop.coop')),
                ('drafted_by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to='coop.membership')),
                ('firing', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='settlements', to='firings.firing')),
                ('posting', models.OneToOneField(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='settlement', to='billing.posting')),
            ],
            options={
                'ordering': ['-version'],
                'constraints': [models.UniqueConstraint(fields=('coop', 'firing', 'version'), name='settlement_version_used_once'), models.UniqueConstraint(condition=models.Q(('state__in', ['draft', 'questions', 'posted'])), fields=('coop', 'firing'), name='one_standing_settlement_per_firing'), models.CheckConstraint(condition=models.Q(models.Q(('state', 'posted'), _negated=True), ('posting__isnull', False), _connector='OR'), name='posted_settlement_has_a_posting')],
            },
        ),
        migrations.CreateModel(
            name='Question',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('public_id', models.UUIDField(default=uuid.uuid4, editable=False, unique=True)),
                ('asked_at', models.DateTimeField()),
                ('text', models.TextField(verbose_name='question')),
                ('answer', models.TextField(blank=True, verbose_name='answer')),
                ('answered_at', models.DateTimeField(null=True)),
                ('answered_by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to='coop.membership')),
                ('asked_by', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='coop.membership')),
                ('coop', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='coop.coop')),
                ('share', models.ForeignKey(null=True, on_delete=django.db.models.deletion.SET_NULL, related_name='questions', to='billing.costshare')),
                ('settlement', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='questions', to='billing.settlement')),
            ],
            options={
                'ordering': ['asked_at'],
            },
        ),
        migrations.AddField(
            model_name='costshare',
            name='settlement',
            field=models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='shares', to='billing.settlement'),
        ),
        migrations.AddField(
            model_name='costpool',
            name='settlement',
            field=models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='pools', to='billing.settlement'),
        ),
        migrations.CreateModel(
            name='Statement',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('public_id', models.UUIDField(default=uuid.uuid4, editable=False, unique=True)),
                ('number', models.PositiveIntegerField()),
                ('reference', models.CharField(max_length=25)),
                ('total_minor', models.BigIntegerField()),
                ('balance_minor', models.BigIntegerField()),
                ('made_at', models.DateTimeField()),
                ('coop', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='coop.coop')),
                ('document', models.OneToOneField(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='statement', to='coop.document')),
                ('member', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='statements', to='coop.membership')),
                ('settlement', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='statements', to='billing.settlement')),
            ],
            options={
                'ordering': ['-number'],
                'constraints': [models.UniqueConstraint(fields=('coop', 'number'), name='statement_numbered_once'), models.UniqueConstraint(fields=('coop', 'settlement', 'member'), name='one_statement_per_member_and_settlement')],
            },
        ),
        migrations.AddConstraint(
            model_name='costpool',
            constraint=models.UniqueConstraint(fields=('coop', 'settlement', 'pool'), name='pool_once_per_settlement'),
        ),
    ]
