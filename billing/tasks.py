"""Registers the money app's computations, so that whoever works the queue can carry them out."""

from billing import statements  # noqa: F401
