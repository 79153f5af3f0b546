"""Forms of the kiln work."""
