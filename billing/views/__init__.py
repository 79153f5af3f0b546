"""Pages of the money app: thin; they write nothing."""
