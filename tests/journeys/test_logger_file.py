"""A logger's file into the log: looked at first, taken once, faults by row."""

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse

from tests.factories import make_member
from tests.factories_fire import HOUR, MINUTE, make_fire, on_watch

pytestmark = pytest.mark.django_db


@pytest.fixture
def fire(monkeypatch, client):
    firing = make_fire()
    monkeypatch.setattr("firings.views.logger_file.timezone.now", lambda: firing.lit_at + 5 * HOUR)
    client.force_login(on_watch(firing).person)
    return firing


def page(firing):
    return reverse("logger_file", kwargs={"coop": firing.coop.slug, "firing": firing.public_id})


def file_of(firing, count=4, last=""):
    rows = [f"{(firing.lit_at + n * MINUTE).isoformat()},{20 + n},{30 + n}" for n in range(count)]
    return "Time,Front °C,Back °C\n" + "\n".join(rows) + "\n" + last


def upload(client, firing, text, name="box.csv"):
    content = text if isinstance(text, bytes) else text.encode()
    return client.post(page(firing), {"file": SimpleUploadedFile(name, content, "text/csv")})


def mapped(text, **more):
    said = {"rows": text, "time": "0", "day": "", "format": "iso", "zone": "UTC", "unit": "c"}
    return {**said, "probe_1": "front", "probe_2": "back", **more}


def test_a_file_is_looked_at_and_then_taken(client, fire):
    text = file_of(fire)
    shown = upload(client, fire, text).content.decode()
    assert "probe_1" in shown
    assert 'value="Front"' in shown
    looked = client.post(page(fire), mapped(text)).content.decode()
    assert "8 readings found" in looked
    assert not fire.log.exists()
    taken = client.post(page(fire), mapped(text, take="1"), follow=True).content.decode()
    assert "8 readings were written down" in taken
    assert fire.log.filter(probe="back").count() == 4


def test_the_same_file_twice_adds_nothing(client, fire):
    text = file_of(fire)
    client.post(page(fire), mapped(text, take="1"))
    again = client.post(page(fire), mapped(text + f"{(fire.lit_at + HOUR).isoformat()},90,\n", take="1"), follow=True)
    assert "1 reading was written down" in again.content.decode()
    assert "8 were in the log already" in again.content.decode()
    assert fire.log.count() == 9


def test_faults_are_listed_by_row_and_nothing_is_taken_until_that_is_accepted(client, fire):
    text = file_of(fire, last=f"{(fire.lit_at + HOUR).isoformat()},broken,7\n")
    looked = client.post(page(fire), mapped(text, take="1")).content.decode()
    assert "Row 6, Front °C" in looked
    assert not fire.log.exists()
    client.post(page(fire), mapped(text, take="1", without_faults="1"))
    assert fire.log.count() == 9


def test_readings_of_another_time_are_left_out_with_the_reason(client, fire):
    early = f"{(fire.lit_at - HOUR).isoformat()},19,19\n{(fire.lit_at + 50 * HOUR).isoformat()},19,\n"
    said = client.post(page(fire), mapped(file_of(fire, 1, last=early), take="1"), follow=True).content.decode()
    assert "before the kiln was lit" in said
    assert "still to come" in said
    assert fire.log.count() == 2


@pytest.mark.parametrize(
    ("content", "said"),
    [(b"", "empty"), (b"\x00\x01", "not a text file"), (b"one\n1\n", "one column"), (b"x," * 1_100_000, "2 MB")],
)
def test_a_file_that_is_none_is_refused_beside_its_field(client, fire, content, said):
    answer = upload(client, fire, content)
    assert answer.status_code in (400, 422)
    assert said in answer.content.decode()


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ({"probe_1": "", "probe_2": ""}, "No column is a probe"),
        ({"probe_1": "a", "probe_2": "A"}, "one probe&#x27;s name"),
        ({"time": "9"}, "valid choice"),
        ({"zone": "Mars"}, "valid choice"),
        ({"unit": "k"}, "valid choice"),
        ({"probe_0": "front2"}, "not both"),
    ],
)
def test_columns_that_cannot_be_are_refused(client, fire, more, said):
    answer = client.post(page(fire), mapped(file_of(fire), take="1", **more))
    assert answer.status_code in (400, 422)
    assert said in answer.content.decode()
    assert not fire.log.exists()


def test_only_those_on_watch_bring_a_file(client, fire):
    client.force_login(make_member("Dora").person)
    assert client.get(page(fire)).status_code == 403
    assert client.post(page(fire), mapped(file_of(fire), take="1")).status_code == 403
