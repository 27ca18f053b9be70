"""Room: decode."""
