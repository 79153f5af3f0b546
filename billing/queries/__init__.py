"""Page-sized reads of the money app, one file per noun."""
