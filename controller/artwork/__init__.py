"""Artwork: measures a file's open area, edge length and growth curve in a separate process.

The daemon imports ``options``, ``result``, ``client`` and ``cache``, which need only the standard
library. Everything that imports numpy or an imaging library runs behind ``worker``.
"""
