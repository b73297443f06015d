"""Records: a season folder to checked tables."""
