"""Where the physical size of a picture can come from."""

from __future__ import annotations

from controller.texts import Message

DPI_GIVEN = Message("artwork.scale_source.dpi_given")
WIDTH_GIVEN = Message("artwork.scale_source.width_given")
FILE_DPI = Message("artwork.scale_source.file_dpi")
PAGE_SIZE = Message("artwork.scale_source.page_size")
DRAWING_SIZE = Message("artwork.scale_source.drawing_size")
PLATE_FILE = Message("artwork.scale_source.plate_file")
