"""Room: layout."""
