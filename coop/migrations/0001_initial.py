import django.db.models.deletion
import django.utils.timezone
import uuid
from django.conf import settings
from django.db import migrations, models


class Migration(migrations.Migration):

    initial = True

    dependencies = [
        ('auth', '0012_alter_user_first_name_max_length'),
    ]

    operations = [
        migrations.CreateModel(
            name='Person',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('password', models.CharField(max_length=128, verbose_name='password')),
                ('last_login', models.DateTimeField(blank=True, null=True, verbose_name='last login')),
                ('is_superuser', models.BooleanField(default=False, help_text='Designates that this user has all permissions without explicitly assigning them.', verbose_name='superuser status')),
                ('public_id', models.UUIDField(default=uuid.uuid4, editable=False, unique=True)),
                ('email', models.EmailField(max_length=254, unique=True, verbose_name='e-mail')),
                ('name', models.CharField(max_length=120, verbose_name='name')),
                ('temperature_unit', models.CharField(choices=[('c', '°C'), ('f', '°F')], default='c', max_length=2, verbose_name='temperatures in')),
                ('length_unit', models.CharField(choices=[('mm', 'millimetres'), ('in', 'inches')], default='mm', max_length=2, verbose_name='lengths in')),
                ('volume_unit', models.CharField(choices=[('l', 'litres'), ('in3', 'cubic inches')], default='l', max_length=3, verbose_name='space in')),
                ('is_staff', models.BooleanField(default=False, verbose_name='operator')),
                ('is_active', models.BooleanField(default=True, verbose_name='may sign in')),
                ('joined_at', models.DateTimeField(default=django.utils.timezone.now, editable=False)),
                ('groups', models.ManyToManyField(blank=True, help_text='The groups this user belongs to. A user will get all permissions granted to each of their groups.', related_name='user_set', related_query_name='user', to='auth.group', verbose_name='groups')),
                ('user_permissions', models.ManyToManyField(blank=True, help_text='Specific permissions for this user.', related_name='user_set', related_query_name='user', to='auth.permission', verbose_name='user permissions')),
            ],
            options={
                'verbose_name': 'person',
                'verbose_name_plural': 'people',
                'constraints': [models.CheckConstraint(condition=models.Q(('email', ''), _negated=True), name='person_has_an_email'), models.CheckConstraint(condition=models.Q(('name', ''), _negated=True), name='person_has_a_name')],
            },
        ),
        migrations.CreateModel(
            name='ApiToken',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('name', models.CharField(max_length=80, verbose_name='what it is for')),
                ('token_hash', models.CharField(max_length=64, unique=True)),
                ('made_at', models.DateTimeField()),
                ('last_used_on', models.DateField(null=True)),
                ('revoked_at', models.DateTimeField(null=True)),
                ('person', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='api_tokens', to=settings.AUTH_USER_MODEL)),
            ],
            options={
                'ordering': ['-made_at'],
            },
        ),
        migrations.CreateModel(
            name='Coop',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('public_id', models.UUIDField(default=uuid.uuid4, editable=False, unique=True)),
                ('slug', models.SlugField(max_length=40, unique=True, verbose_name='address')),
                ('name', models.CharField(max_length=120, verbose_name='name')),
                ('time_zone', models.CharField(default='Europe/Dublin', max_length=64, verbose_name='time zone')),
                ('currency', models.CharField(default='EUR', max_length=3, verbose_name='currency')),
                ('founded_at', models.DateTimeField(default=django.utils.timezone.now, editable=False)),
            ],
            options={
                'verbose_name': 'co-op',
                'constraints': [models.CheckConstraint(condition=models.Q(('name', ''), _negated=True), name='coop_has_a_name'), models.CheckConstraint(condition=models.Q(('currency__regex', '^[A-Z]{3}$')), name='coop_currency_is_a_code')],
            },
        ),
        migrations.CreateModel(
            name='Computation',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('public_id', models.UUIDField(default=uuid.uuid4, editable=False, unique=True)),
                ('kind', models.CharField(max_length=40)),
                ('subject', models.UUIDField()),
                ('request', models.JSONField(default=dict)),
                ('answer', models.JSONField(null=True)),
                ('state', models.CharField(choices=[('waiting', 'waiting'), ('done', 'done'), ('failed', 'failed')], default='waiting', max_length=8)),
                ('asked_at', models.DateTimeField()),
                ('leased_until', models.DateTimeField(null=True)),
                ('attempts', models.PositiveIntegerField(default=0)),
                ('done_at', models.DateTimeField(null=True)),
                ('trouble', models.CharField(blank=True, max_length=300)),
                ('coop', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='coop.coop')),
            ],
            options={
                'ordering': ['-pk'],
                'indexes': [models.Index(condition=models.Q(('state', 'waiting')), fields=['asked_at'], name='computation_waiting')],
                'constraints': [models.CheckConstraint(condition=models.Q(models.Q(('done_at', None), ('state', 'waiting')), models.Q(models.Q(('state', 'waiting'), _negated=True), ('done_at__isnull', False)), _connector='OR'), name='computation_done_has_a_moment')],
            },
        ),
        migrations.CreateModel(
            name='IdempotencyKey',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('public_id', models.UUIDField(default=uuid.uuid4, editable=False, unique=True)),
                ('route', models.CharField(max_length=200)),
                ('key', models.CharField(max_length=100)),
                ('body_hash', models.CharField(max_length=64)),
                ('status', models.PositiveSmallIntegerField()),
                ('answer', models.JSONField(null=True)),
                ('made_at', models.DateTimeField()),
                ('coop', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='coop.coop')),
                ('person', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='+', to=settings.AUTH_USER_MODEL)),
            ],
            options={
                'constraints': [models.UniqueConstraint(fields=('coop', 'person', 'route', 'key'), name='idempotency_key_used_once')],
            },
        ),
        migrations.CreateModel(
            name='Membership',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('public_id', models.UUIDField(default=uuid.uuid4, editable=False, unique=True)),
                ('mark', models.CharField(blank=True, max_length=60, verbose_name='mark on the pots')),
                ('joined_at', models.DateTimeField(default=django.utils.timezone.now, editable=False)),
                ('left_at', models.DateTimeField(blank=True, null=True)),
                ('coop', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='coop.coop')),
                ('person', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='memberships', to=settings.AUTH_USER_MODEL)),
            ],
            options={
                'verbose_name': 'member',
                'ordering': ['person__name', 'pk'],
                'constraints': [models.UniqueConstraint(fields=('coop', 'person'), name='person_belongs_once_per_coop'), models.CheckConstraint(condition=models.Q(('left_at', None), ('left_at__gte', models.F('joined_at')), _connector='OR'), name='member_left_after_joining')],
            },
        ),
        migrations.CreateModel(
            name='Invitation',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('public_id', models.UUIDField(default=uuid.uuid4, editable=False, unique=True)),
                ('email', models.EmailField(max_length=254)),
                ('name', models.CharField(blank=True, max_length=120)),
                ('roles', models.JSONField(default=list)),
                ('token_hash', models.CharField(max_length=64, unique=True)),
                ('invited_at', models.DateTimeField()),
                ('expires_at', models.DateTimeField()),
                ('accepted_at', models.DateTimeField(null=True)),
                ('withdrawn_at', models.DateTimeField(null=True)),
                ('coop', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='coop.coop')),
                ('accepted_by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to='coop.membership')),
                ('invited_by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to='coop.membership')),
            ],
            options={
                'ordering': ['-invited_at'],
                'constraints': [models.UniqueConstraint(condition=models.Q(('accepted_at', None), ('withdrawn_at', None)), fields=('coop', 'email'), name='one_open_invitation_per_address'), models.CheckConstraint(condition=models.Q(('expires_at__gt', models.F('invited_at'))), name='invitation_expires_after_it_is_sent')],
            },
        ),
        migrations.CreateModel(
            name='Document',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('public_id', models.UUIDField(default=uuid.uuid4, editable=False, unique=True)),
                ('kind', models.CharField(max_length=40)),
                ('subject', models.UUIDField()),
                ('title', models.CharField(max_length=200)),
                ('file_name', models.CharField(max_length=120)),
                ('content', models.BinaryField()),
                ('made_at', models.DateTimeField()),
                ('computation', models.OneToOneField(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='document', to='coop.computation')),
                ('coop', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='coop.coop')),
                ('for_membership', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to='coop.membership')),
            ],
            options={
                'ordering': ['-pk'],
            },
        ),
        migrations.AddField(
            model_name='computation',
            name='asked_by',
            field=models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to='coop.membership'),
        ),
        migrations.CreateModel(
            name='AuditEntry',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('public_id', models.UUIDField(default=uuid.uuid4, editable=False, unique=True)),
                ('at', models.DateTimeField()),
                ('action', models.CharField(max_length=80)),
                ('detail', models.JSONField(default=dict)),
                ('request_id', models.CharField(blank=True, max_length=36)),
                ('coop', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='coop.coop')),
                ('by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to='coop.membership')),
            ],
            options={
                'ordering': ['-pk'],
                'indexes': [models.Index(fields=['coop', '-at'], name='audit_by_coop_and_time')],
            },
        ),
        migrations.CreateModel(
            name='Notice',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('public_id', models.UUIDField(default=uuid.uuid4, editable=False, unique=True)),
                ('key', models.CharField(max_length=200)),
                ('kind', models.CharField(max_length=40)),
                ('to_email', models.EmailField(max_length=254)),
                ('subject', models.CharField(max_length=200)),
                ('text', models.TextField()),
                ('link', models.CharField(blank=True, max_length=300)),
                ('made_at', models.DateTimeField()),
                ('due_at', models.DateTimeField()),
                ('stale_at', models.DateTimeField(null=True)),
                ('leased_until', models.DateTimeField(null=True)),
                ('attempts', models.PositiveIntegerField(default=0)),
                ('sent_at', models.DateTimeField(null=True)),
                ('dead_at', models.DateTimeField(null=True)),
                ('last_error', models.CharField(blank=True, max_length=300)),
                ('coop', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='coop.coop')),
                ('document', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to='coop.document')),
                ('to_person', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
            ],
            options={
                'ordering': ['-pk'],
                'indexes': [models.Index(condition=models.Q(('dead_at', None), ('sent_at', None)), fields=['due_at'], name='notice_waiting')],
                'constraints': [models.UniqueConstraint(fields=('coop', 'key'), name='notice_written_once_per_key'), models.CheckConstraint(condition=models.Q(('to_email', ''), _negated=True), name='notice_has_an_address')],
            },
        ),
        migrations.CreateModel(
            name='Policy',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('public_id', models.UUIDField(default=uuid.uuid4, editable=False, unique=True)),
                ('version', models.PositiveIntegerField()),
                ('terms', models.JSONField(default=dict)),
                ('adopted_at', models.DateTimeField()),
                ('adopted_by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to='coop.membership')),
                ('coop', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='coop.coop')),
            ],
            options={
                'ordering': ['-version'],
                'constraints': [models.UniqueConstraint(fields=('coop', 'version'), name='policy_version_used_once'), models.CheckConstraint(condition=models.Q(('version__gte', 1)), name='policy_versions_start_at_one')],
            },
        ),
        migrations.CreateModel(
            name='Role',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('public_id', models.UUIDField(default=uuid.uuid4, editable=False, unique=True)),
                ('kind', models.CharField(choices=[('member', 'member'), ('guest', 'guest'), ('lead', 'firing lead'), ('steward', 'kiln steward'), ('treasurer', 'treasurer'), ('coordinator', 'coordinator')], max_length=12)),
                ('coop', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='coop.coop')),
                ('membership', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='roles', to='coop.membership')),
            ],
            options={
                'ordering': ['kind'],
                'constraints': [models.UniqueConstraint(fields=('coop', 'membership', 'kind'), name='role_held_once'), models.CheckConstraint(condition=models.Q(('kind__in', ['member', 'guest', 'lead', 'steward', 'treasurer', 'coordinator'])), name='role_kind_is_known')],
            },
        ),
        migrations.CreateModel(
            name='SignOff',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('public_id', models.UUIDField(default=uuid.uuid4, editable=False, unique=True)),
                ('kind', models.CharField(choices=[('stoking', 'stoking'), ('leading', 'leading a watch'), ('soda', 'soda'), ('splitter', 'wood splitter'), ('grinding', 'shelf grinding')], max_length=10)),
                ('given_on', models.DateField()),
                ('valid_until', models.DateField(blank=True, null=True, verbose_name='valid until')),
                ('withdrawn_at', models.DateTimeField(blank=True, null=True)),
                ('coop', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='coop.coop')),
                ('given_by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to='coop.membership')),
                ('membership', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='sign_offs', to='coop.membership')),
            ],
            options={
                'ordering': ['kind'],
                'constraints': [models.UniqueConstraint(condition=models.Q(('withdrawn_at', None)), fields=('coop', 'membership', 'kind'), name='sign_off_stands_once'), models.CheckConstraint(condition=models.Q(('valid_until', None), ('valid_until__gte', models.F('given_on')), _connector='OR'), name='sign_off_ends_after_it_begins')],
            },
        ),
    ]
