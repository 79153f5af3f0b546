"""One vocabulary: the glossary knows every model, and nobody says the words we do not use."""

import re
from pathlib import Path

from django.apps import apps

ROOT = Path(__file__).resolve().parent.parent
# product's "not" column, where a word can only mean the wrong thing
NOT_OURS = ("tenant_id", "workspace", "karma", "invoice", "reservation", "ticket", "expense")


def test_the_glossary_knows_every_model():
    glossary = (ROOT / "DEVELOPERS.md").read_text()
    missing = [
        model.__name__
        for app in ("coop", "firings", "billing")
        for model in apps.get_app_config(app).get_models()
        if not re.search(rf"\b{model.__name__}\b", glossary)
    ]
    assert missing == []


def test_templates_and_code_use_our_words_only():
    found = [
        f"{path.relative_to(ROOT)}: {word}"
        for app in ("coop", "firings", "billing")
        for path in [*(ROOT / app).rglob("*.py"), *(ROOT / app).rglob("*.html")]
        for word in NOT_OURS
        if re.search(rf"\b{word}s?\b", path.read_text(), re.IGNORECASE)
    ]
    assert found == []
