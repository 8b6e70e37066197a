"""Artwork room: a file becomes open area, edge length and growth curve, measured in a process of its own.

The daemon imports ``options``, ``result``, ``client`` and ``cache``, which need nothing but the standard library. Everything
that imports numpy or an imaging library runs behind ``worker``.
"""
