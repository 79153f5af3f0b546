"""Pages of the kiln work: thin; they write nothing."""
