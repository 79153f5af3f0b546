"""What the database itself refuses: changing the record, and rows of another co-op."""

import threading

import pytest
from django.apps import apps
from django.contrib.auth import get_user_model
from django.db import IntegrityError, connection, transaction
from django.db.models.signals import pre_migrate
from django.db.utils import DatabaseError

from coop import services, walls
from coop.models import AuditEntry, Coop, Membership, Notice, Policy
from coop.policy import Terms
from coop.transactions import reading, set_coop
from tests.coop.test_queues import tell
from tests.factories import NOW, ben, cora, cy

pytestmark = pytest.mark.django_db
only_postgres = pytest.mark.skipif(connection.vendor != "postgresql", reason="row-level security is PostgreSQL's")


def policy():
    boss = cora()
    return services.adopt_policy(boss.coop, by=boss, terms=Terms(question_days=9), now=NOW)


def refused(change):
    with pytest.raises(IntegrityError, match="append_only"), transaction.atomic():
        change()


@pytest.fixture(autouse=True)
def _everything_is_seen():
    yield
    set_coop("*", local=False)


def test_a_policy_is_never_changed_or_removed():
    row = policy()
    refused(lambda: Policy.objects.filter(pk=row.pk).update(version=7))
    refused(lambda: Policy.objects.filter(pk=row.pk).delete())
    assert Policy.objects.get(pk=row.pk).version == row.version


def test_the_audit_is_never_changed_or_removed():
    policy()
    entry = AuditEntry.objects.get(action="services.adopt_policy")
    refused(lambda: AuditEntry.objects.filter(pk=entry.pk).update(action="nothing happened"))
    refused(lambda: AuditEntry.objects.filter(pk=entry.pk).delete())
    assert AuditEntry.objects.get(pk=entry.pk).action == "services.adopt_policy"


def test_reading_refuses_every_write():
    member = ben()
    with pytest.raises(DatabaseError), reading(member.coop):
        Membership.objects.filter(pk=member.pk).update(mark="X")
    assert Membership.objects.get(pk=member.pk).mark == ""


def test_reading_is_the_first_thing_a_thread_may_do():
    """A web thread that has no connection yet."""
    seen = []

    def read():
        try:
            with reading(None):
                seen.append(connection.in_atomic_block)
        finally:
            connection.close()

    thread = threading.Thread(target=read)
    thread.start()
    thread.join()
    assert seen == [True]


@only_postgres
@pytest.mark.postgres
def test_without_a_co_op_a_web_connection_sees_no_rows():
    tell(ben().coop)
    set_coop("", local=False)  # what every web connection begins with
    assert Notice.objects.count() == 0
    assert AuditEntry.objects.count() == 0
    assert Coop.objects.count() == 1  # addresses and memberships are read before the co-op is known
    set_coop("*", local=False)
    assert Notice.objects.count() == 1


@only_postgres
@pytest.mark.postgres
def test_inside_a_co_op_the_rows_of_another_are_not_there():
    mine, theirs = ben(), cy()
    tell(mine.coop)
    tell(theirs.coop)
    with reading(mine.coop):
        assert {notice.coop_id for notice in Notice.objects.all()} == {mine.coop_id}
    set_coop(mine.coop_id, local=False)
    assert Notice.objects.update(subject="Mine") == 1
    with pytest.raises(DatabaseError, match="row-level security"), transaction.atomic():
        Notice.objects.create(coop=theirs.coop, key="x", to_email="x@far.example", made_at=NOW, due_at=NOW)


@only_postgres
@pytest.mark.postgres
def test_a_row_cannot_point_into_another_co_op():
    mine, theirs = ben(), cy()
    with transaction.atomic():
        Membership.objects.get(pk=theirs.pk).roles.create(coop=mine.coop, kind="steward")
        with connection.cursor() as cursor, pytest.raises(IntegrityError, match="same_coop"):
            cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")
        transaction.set_rollback(True)


@only_postgres
@pytest.mark.postgres
def test_pages_leave_no_co_op_set_behind(client, monkeypatch):
    monkeypatch.setenv("COOP_WEB", "1")
    boss = cora()
    tell(boss.coop)
    client.force_login(boss.person)
    set_coop("", local=False)
    assert "Wood" in client.get("/hollow-lane/outbox/").content.decode()
    with connection.cursor() as cursor:
        cursor.execute("SELECT current_setting('coop.current', true)")
        assert cursor.fetchone()[0] == ""
    assert Notice.objects.count() == 0


def operator():
    return get_user_model().objects.create_superuser("op@service.example", "operators-only-2026", name="Op")


def test_the_operators_pages_are_for_operators(client):
    way_in = client.get("/operators/", follow=True)
    assert way_in.redirect_chain[-1][0].startswith("/accounts/login/")
    client.force_login(cora().person)
    assert client.get("/operators/", follow=True).status_code in (403, 404)
    client.force_login(operator())
    assert client.get("/operators/").status_code == 200


def test_operators_see_every_co_op_and_change_no_record(client, monkeypatch):
    monkeypatch.setenv("COOP_WEB", "1")
    tell(ben().coop, subject="Ours")
    tell(cy().coop, subject="Theirs")
    client.force_login(operator())
    set_coop("", local=False)
    page = client.get("/operators/coop/notice/").content.decode()
    assert "Ours" in page
    assert "Theirs" in page
    assert client.get("/operators/coop/notice/add/").status_code == 403
    set_coop("*", local=False)
    row = Notice.objects.first()
    shown = client.get(f"/operators/coop/notice/{row.pk}/change/").content.decode()
    assert "Bring wood." not in shown
    changed = client.post(f"/operators/coop/notice/{row.pk}/change/", {"subject": "Other"})
    assert changed.status_code == 403
    assert client.post(f"/operators/coop/notice/{row.pk}/delete/", {"post": "yes"}).status_code == 403


def test_every_record_is_read_only_for_operators():
    from django.contrib import admin

    from coop.admin import ReadOnly
    from coop.models import CoopOwned

    assert [
        model.__name__
        for model, page in admin.site._registry.items()
        if issubclass(model, CoopOwned) and not isinstance(page, ReadOnly)
    ] == []


@pytest.mark.skipif(connection.vendor != "sqlite", reason="SQLite alone rebuilds tables")
def test_before_a_migration_no_trigger_is_in_the_way_and_after_it_all_stand():
    with connection.cursor() as cursor:
        cursor.execute("CREATE TRIGGER of_an_earlier_version BEFORE DELETE ON coop_coop BEGIN SELECT 1; END")
    pre_migrate.send(sender=apps.get_app_config("coop"), app_config=apps.get_app_config("coop"))
    with connection.cursor() as cursor:
        cursor.execute("SELECT count(*) FROM sqlite_master WHERE type = 'trigger'")
        assert cursor.fetchone() == (0,)
    walls.install()
    assert walls.missing() == []
