"""nearkey."""
