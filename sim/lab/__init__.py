"""Many benches: what if, what explains the evidence, what to check next. It is what this model says."""
