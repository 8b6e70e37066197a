"""Limits of the artwork files and measurements, each with its reason."""

from __future__ import annotations

MEASURE_VERSION = "4"
"""Part of the key of kept results. It changes whenever a measured number may change."""

MAX_FILE_BYTES = 400_000_000
"""Largest file. Source: an uncompressed 8-bit A4 sheet at 1200 dpi is 139 MB; twice that for 16
bits, and some room."""

MAX_PIXELS = 160_000_000
"""Most pixels of a sheet. Source: A4 at 1200 dpi is 9921 x 14031 = 139.2 million; one byte each
must fit in memory."""

MAX_COLOUR_PIXELS = 40_000_000
"""Most pixels of an image that decodes to 4 bytes each. Source: 160 MB, as much as MAX_PIXELS
takes at 1 byte each."""

MAX_WORD_PIXELS = 80_000_000
"""Most pixels of an image that decodes to 2 bytes each (16-bit grey)."""

MIN_FILE_DPI = 100.0
"""Lowest resolution believed when a file states it. A lower one is nearly always a default (72, 96
or 1) that a program wrote without knowing the size. A person may give a lower one."""

MIN_DPI = 50.0
"""Lowest resolution that a person may give: its pixels of 0.5 mm are as wide as the lines."""

MAX_DPI = 9600.0
"""Highest resolution: film setters end at 5080 dpi; more is a slip of units."""

WORK_DPI = 600.0
"""The measuring grid has at least this resolution when the file has it; finer files are averaged
down in whole steps."""

MIN_SIDE_MM = 0.5
MAX_SIDE_MM = 1000.0
"""Sides of the sheet and of the plate, mm. No etching tank takes more, no plate is smaller: beyond
these it is a slip of units."""

MAX_UNDERCUT_MM = 3.0
"""Largest undercut, mm: the sheet metal of the trade is thinner."""

MIN_GROWTH_MM = 1.0
"""The growth curve reaches at least this far, mm."""

MAX_COPIES = 10_000
MAX_LISTED_LINES = 200
"""Lost lines listed with their places; all are counted."""

PREVIEW_SIDE_PX = 1600
"""Longest side of the preview, pixels: the screen of a phone or tablet."""
