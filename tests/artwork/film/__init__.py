"""Etch compensation and the printed film."""
