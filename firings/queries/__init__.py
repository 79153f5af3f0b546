"""Page-sized reads."""
