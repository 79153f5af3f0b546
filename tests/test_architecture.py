"""The shape of the code: cores without a framework, writes only in services, no page that writes."""

import ast
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
CORES = [
    "coop.errors",
    "coop.money",
    "coop.periods",
    "coop.policy",
    "firings.load_plan.solve",
    "firings.load_plan.check",
    "firings.roster.solve",
    "firings.roster.check",
    "firings.fire.cones",
    "firings.fire.progress",
    "firings.fire.wood",
    "firings.fire.logger_file",
    "firings.fire.courses",
    "firings.allotment",
    "firings.lifecycle",
    "firings.tables",
    "firings.calendar_feed",
    "billing.cost_shares",
    "billing.pools",
    "billing.what_if",
    "billing.chances",
    "billing.ledger",
    "billing.settlement",
    "billing.slips",
    "billing.bank_files.camt",
    "billing.bank_files.by_profile",
    "billing.bank_files.match",
]
WRITING = {"save", "create", "update", "delete", "bulk_create", "bulk_update", "get_or_create", "update_or_create"}
READING_EDGES = sorted(
    path
    for app in ("coop", "firings", "billing")
    for pattern in ("views.py", "views/**/*.py", "api.py", "api/**/*.py", "queries.py", "queries/**/*.py")
    for path in (ROOT / app).glob(pattern)
)
OWNERS_OF_TRANSACTIONS = {ROOT / "coop/transactions.py"}


def _calls(path):
    return [node for node in ast.walk(ast.parse(path.read_text())) if isinstance(node, ast.Call)]


def test_the_cores_load_no_framework():
    code = f"import sys, importlib; [importlib.import_module(m) for m in {CORES!r}]; print('django' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"


@pytest.mark.parametrize("path", READING_EDGES, ids=lambda path: str(path.relative_to(ROOT)))
def test_no_view_api_or_query_writes(path):
    """Rows are written by services only: an edge calls none of the ORM's writing methods on a manager or row."""
    found = [
        f"{path.name}:{call.lineno} .{call.func.attr}()"
        for call in _calls(path)
        if isinstance(call.func, ast.Attribute) and call.func.attr in WRITING and _on_the_orm(call.func.value)
    ]
    assert found == []


def _on_the_orm(value):
    """``X.objects...`` or a row's own ``save``/``delete``: not a dict's ``update`` or a service's ``create``."""
    text = ast.unparse(value)
    return ".objects" in text or text in {"self.instance", "form", "row", "firing", "kiln", "member", "membership"}


def test_only_the_transactions_module_opens_transactions():
    guilty = [
        f"{path.relative_to(ROOT)}:{call.lineno}"
        for app in ("coop", "firings", "billing")
        for path in (ROOT / app).rglob("*.py")
        if path not in OWNERS_OF_TRANSACTIONS and "migrations" not in path.parts
        for call in _calls(path)
        if isinstance(call.func, ast.Attribute) and ast.unparse(call.func) == "transaction.atomic"
    ]
    assert guilty == []
