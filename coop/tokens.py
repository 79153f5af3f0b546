"""Random keys in links and for the API: 256 bits, shown once, kept only as a hash."""

from __future__ import annotations

import hashlib
import secrets


def new_token() -> str:
    return secrets.token_urlsafe(32)


def token_hash(token: str) -> str:
    """A plain hash is enough: the token is random, so there is nothing to guess from."""
    return hashlib.sha256(token.encode()).hexdigest()
