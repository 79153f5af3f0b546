"""Redis as a cache that may go away: nothing is known then, nothing is kept, and no page fails for it."""

from __future__ import annotations

import functools
import logging
from collections.abc import Callable
from typing import Any

from django.core.cache.backends.redis import RedisCache, RedisCacheClient
from redis.exceptions import RedisError

log = logging.getLogger(__name__)

# What each call answers while Redis is away, from the arguments it was given.
_INSTEAD: dict[str, Callable[..., Any]] = {
    "get": lambda key, default: default,
    "get_many": lambda keys: {},
    "has_key": lambda key: False,
    "incr": lambda key, delta: delta,
    "add": lambda key, value, timeout: True,
    "set": lambda key, value, timeout: None,
    "set_many": lambda data, timeout: None,
    "touch": lambda key, timeout: False,
    "delete": lambda key: False,
    "delete_many": lambda keys: None,
}


class _Client(RedisCacheClient):
    """Django's client with every call of ``_INSTEAD`` guarded."""


def _guarded(name: str, instead: Callable[..., Any]) -> Callable[..., Any]:
    ask = getattr(RedisCacheClient, name)

    @functools.wraps(ask)
    def run(self: _Client, *values: Any) -> Any:
        try:
            return ask(self, *values)
        except RedisError as error:
            log.warning("the cache does not answer (%s)", type(error).__name__)
            return instead(*values)

    return run


for _name, _instead in _INSTEAD.items():
    setattr(_Client, _name, _guarded(_name, _instead))


class RedisCacheThatMayBeGone(RedisCache):
    """Sign-in limits count nothing while Redis is gone; sign-in itself, booking and logging go on."""

    def __init__(self, server: str, params: dict[str, Any]) -> None:
        options = {"socket_connect_timeout": 1, "socket_timeout": 1, **params.get("OPTIONS", {})}
        super().__init__(server, {**params, "OPTIONS": options})
        self._class = _Client
