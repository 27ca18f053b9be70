"""Room: study."""
