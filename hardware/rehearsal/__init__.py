"""The rehearsal bench: supply, relay contact, cell and INA219 as a model, so that the real driver code runs without a Pi."""
