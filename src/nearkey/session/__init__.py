"""Room: session."""
