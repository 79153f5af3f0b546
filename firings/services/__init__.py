"""Writes of the kiln work: one keyword-only function per thing a person can do."""
