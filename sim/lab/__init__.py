"""Many benches: what if, which causes, which suspects, which check next; all by what this model says."""
