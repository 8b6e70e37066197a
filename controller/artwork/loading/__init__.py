"""Loads PNG, TIFF, JPEG, PDF and SVG files as pages of grey levels."""
