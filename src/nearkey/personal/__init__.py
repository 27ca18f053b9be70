"""Room: personal."""
