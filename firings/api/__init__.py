"""The same services as JSON."""
