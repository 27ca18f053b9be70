"""Room: language."""
