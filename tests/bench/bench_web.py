"""What main pages cost, alone and among many co-ops: queries and processor time on PostgreSQL, side by side in one run.

A cluster of its own gets the demo co-op; its pages are asked for in this process. Then the co-op is copied
within the database (``--coops``, each with all its rows and people) and the same pages are asked for again.
"""

from __future__ import annotations

import argparse
import gc
import os
import subprocess
import sys
import time
from typing import Any

from tests.faults.house import ROOT, House

PAGES = (
    "",
    "calendar/",
    "firings/",
    "members/",
    "kilns/",
    "hours/",
    "money/",
    "ledger/",
    "{open}",
    "{open}space/",
    "{open}load-plan/",
    "{open}watches/",
    "{burning}fire/",
    "{closed}money/",
)


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.bench_web", description=__doc__)
    parser.add_argument("--coops", type=int, default=2000, help="copies of the demo co-op (default 2000)")
    parser.add_argument("--times", type=int, default=15, help="how often each page is asked for; the least counts")
    asked = parser.parse_args()
    house = House(served=True)
    try:
        house.make_base()
        os.environ |= {name: house.environment[name] for name in ("DATABASE_URL", "DATA_DIR", "SECRET_KEY")}
        for words in (["migrate", "-v0"], ["createcachetable"], ["seed_demo"]):
            house.manage(*words)
        import django

        os.environ["DJANGO_SETTINGS_MODULE"] = "coop.settings"
        django.setup()
        alone = measured(asked.times)
        began = time.monotonic()
        rows = copied(house, asked.coops)
        print(f"{asked.coops} co-ops more, {rows:,} rows, in {time.monotonic() - began:.0f} s\n")
        among = measured(asked.times)
        table(alone, among, asked.coops + 1)
    finally:
        house.__exit__()
    return 0


def measured(times: int) -> dict[str, tuple[int, float]]:
    """By page: queries, least processor time in ms."""
    from django.db import connection
    from django.test import Client
    from django.test.utils import CaptureQueriesContext

    from coop.models import Coop, Membership, Role
    from firings.models import Firing

    coop = Coop.objects.get(slug="wrenfield")
    stages = {"open": "booking", "burning": "lit", "closed": "closed"}
    firings = {name: Firing.objects.of(coop).filter(stage=stage).first() for name, stage in stages.items()}
    addresses = {name: f"firings/{row.public_id}/" for name, row in firings.items() if row}
    who = Membership.objects.of(coop).filter(roles__kind=Role.Kind.TREASURER).select_related("person").first()
    assert who is not None
    client = Client(SERVER_NAME="127.0.0.1")
    client.force_login(who.person)
    found = {}
    for page in PAGES:
        address = "/wrenfield/" + page.format(**addresses)
        with CaptureQueriesContext(connection) as asked:
            assert client.get(address).status_code == 200, address
        queries = sum(is_for_rows(one["sql"]) for one in asked.captured_queries)  # the next request empties the list
        least = float("inf")
        for _ in range(times):
            gc.collect()
            began = time.process_time()
            client.get(address)
            least = min(least, time.process_time() - began)
        found[page] = (queries, least * 1000)
    return found


def is_for_rows(sql: str) -> bool:
    return sql.lstrip().upper().startswith(("SELECT", "INSERT", "UPDATE", "DELETE")) and "set_config" not in sql


def copied(house: House, many: int) -> int:
    """Copy the co-op with everything it owns so many times, as the administrator and past triggers."""
    from django.apps import apps
    from django.db import connection

    from coop.models import Coop, CoopOwned, Person

    models = [Person, Coop, *(model for model in apps.get_models() if issubclass(model, CoopOwned))]
    statements = ["SET session_replication_role = replica"]
    with connection.cursor() as cursor:
        steps = {}
        for model in models:
            cursor.execute(f"SELECT coalesce(max(id), 0) FROM {model._meta.db_table}")
            steps[model] = cursor.fetchone()[0] + 1000
    for model in models:
        columns, values = [], []
        for field in model._meta.local_fields:
            columns.append(f'"{field.column}"')
            values.append(copy_of(field, model, steps))
        table_ = model._meta.db_table
        statements.append(
            f"INSERT INTO {table_} ({', '.join(columns)}) SELECT {', '.join(values)} FROM {table_} r, "
            f"generate_series(1, {many}) k WHERE r.id < {steps[model]}"
        )
    statements.append("ANALYZE")
    where = ["-h", "127.0.0.1", "-p", str(house.ports["base"]), "-U", "postgres", "-d", "coop"]
    done = subprocess.run(
        [house.bin / "psql", *where, "-v", "ON_ERROR_STOP=1"],
        input=";\n".join(statements) + ";\n", capture_output=True, text=True, cwd=ROOT,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr[-2000:]
    return sum(int(line.split()[2]) for line in done.stdout.splitlines() if line.startswith("INSERT"))


def copy_of(field: Any, model: Any, steps: dict[Any, int]) -> str:
    name = f'r."{field.column}"'
    if field.primary_key:
        return f"{name} + k * {steps[model]}"
    if field.column == "public_id":
        return "gen_random_uuid()"
    if field.related_model in steps:
        return f"{name} + k * {steps[field.related_model]}"
    if field.unique:
        return f"k || '-' || {name}"
    return name


def table(alone: dict[str, tuple[int, float]], among: dict[str, tuple[int, float]], coops: int) -> None:
    print(
        f"{'page':<22} {'queries':>8} {'cpu ms':>7}   among {coops} co-ops: {'queries':>7} {'cpu ms':>7} {'ratio':>6}"
    )
    for page, (queries, ms) in alone.items():
        more_queries, more_ms = among[page]
        shown = page.replace("{", "").replace("}", " ") or "home"
        print(f"{shown:<22} {queries:>8} {ms:>7.1f} {more_queries:>30} {more_ms:>7.1f} {more_ms / ms:>6.2f}")
    worst = max(among[page][1] / alone[page][1] for page in alone)
    print(f"\nworst ratio {worst:.2f}; most {max(ms for _, ms in alone.values()):.1f} ms")


if __name__ == "__main__":
    sys.exit(main())
