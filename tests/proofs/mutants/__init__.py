"""Mutation testing of the Python modules."""
