"""The commands behind `nearkey`: each a thin face of a plain function."""
