"""Room: touch."""
