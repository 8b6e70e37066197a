"""Uploaded artworks: kept, measured, drawn and etched in pictures."""
