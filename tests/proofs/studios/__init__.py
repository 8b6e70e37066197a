"""Studios that the learning did not design: ``python -m tests.proofs.studios``."""
