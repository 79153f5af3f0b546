"""The main job at the prompt: one firing from call to closed, with papers, mails and exact sums."""

import json
from email import message_from_bytes, policy

import pytest
from django.core.management import call_command

from billing.management import invented
from coop.models import Coop
from firings.models import Firing

pytestmark = [pytest.mark.slow, pytest.mark.django_db]

PIECES = """member;piece;count;shape;diameter_mm;width_mm;length_mm;height_mm;body;cone;glaze;zone;importance;note
Zoë Marsh;jug;3;round;92,5;;;118;moor;11;;front;1;
Zoë Marsh;dish;1;rect;;180;260;70;moor;11;;;2;
Old Tam;bowl;2;round;230;;;90;red earth;06;;;1;
李梅;vase;1;round;120;;;310;white;12;;nowhere;1;
"""
RECEIPTS = """date,paid_by,pool,amount,currency,supplier,note
2026-03-02,,wood,412.37,CHF,yard,
2026-03-03,Pia Stray,per_head,0.01,CHF,kiosk,
2026-03-04,,soda,-3.30,CHF,shop,sent back
"""


@pytest.fixture
def walked(tmp_path, settings):
    settings.EMAIL_BACKEND = "coop.mail.FolderBackend"
    (tmp_path / "pieces.csv").write_text(PIECES, encoding="utf-8-sig")
    (tmp_path / "receipts.csv").write_text(RECEIPTS, encoding="utf-8")
    out = tmp_path / "out"
    call_command(
        "walk_firing", pieces=str(tmp_path / "pieces.csv"), receipts=str(tmp_path / "receipts.csv"), out=str(out)
    )
    return out


def test_a_walk_ends_closed_with_exact_sums_mails_and_papers(walked):
    summary = json.loads((walked / "summary.json").read_text(encoding="utf-8"))
    assert [stage["stage"] for stage in summary["stages"]][-1] == "closed"
    assert Firing.objects.get().stage == Firing.Stage.CLOSED
    assert summary["pools"] == {"wood": 41237, "per_head": 1, "soda": -330}
    for pool, bill in summary["pools"].items():
        borne = sum(member["shares"].get(pool, 0) for member in summary["members"].values())
        assert borne + summary["fund"][pool] == bill
    assert {"Zoë Marsh", "李梅"} <= set(summary["members"])
    (refused,) = summary["refused"]
    assert refused["member"] == "Old Tam"
    assert "cone 06" in refused["why"]
    assert "cone 6 " in refused["why"]
    mails = [message_from_bytes(path.read_bytes(), policy=policy.default) for path in (walked / "mails").glob("*.eml")]
    assert len(mails) == summary["mails"] > 0
    subjects = [mail["Subject"] for mail in mails]
    assert any("clean" in subject.lower() for subject in subjects)
    statements = [path for path in summary["files"] if "statement" in path]
    assert len(statements) >= 3  # two with pots, one who paid
    assert all((walked / path).read_bytes().startswith(b"%PDF-") for path in summary["files"])
    call_command("verify")


def test_the_demo_is_made_once_and_kept(settings, capsys):
    settings.DEMO = True
    call_command("seed_demo")
    made = Coop.objects.get()
    assert made.slug == invented.COOP_SLUG
    stages = sorted(Firing.objects.values_list("stage", flat=True))
    assert stages == ["booking", "closed", "closed", "closed", "cooling", "lit"]
    call_command("verify")
    call_command("seed_demo")
    assert Coop.objects.get() == made
    assert sorted(Firing.objects.values_list("stage", flat=True)) == stages
    assert "m01@wrenfield.example" in capsys.readouterr().out
