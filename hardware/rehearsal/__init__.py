"""The rehearsal bench: supply, relay contact, cell and sensor as a model, so that the real driver code runs without a Pi."""
