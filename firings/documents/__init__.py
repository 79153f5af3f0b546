"""Papers of the kiln work as PDF."""
