"""Making language packs: reading text, counting, estimating, mixing, pruning, writing."""
