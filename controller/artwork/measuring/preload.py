"""Imports what measuring one kind of file needs. A confined process can import nothing later."""

from __future__ import annotations

from importlib import import_module

from PIL import Image

from controller.texts import CATALOGUE

_RASTER = "controller.artwork.loading.raster"
_OF_KIND = {
    "PNG": (_RASTER,),
    "TIFF": (_RASTER, "PIL.TiffImagePlugin"),
    "JPEG": (_RASTER,),
    "PDF": ("controller.artwork.loading.pdf",),
    "SVG": ("controller.artwork.loading.svg", "encodings.utf_8_sig"),
}
_PLATE = (
    "controller.artwork.assembly.plate_measure",
    "encodings.cp437",
    *(name for names in _OF_KIND.values() for name in names),
)
"""A plate may hold artworks of each kind. Names in a ZIP file are in that code page."""
_LATER = ("numpy.ma",)
"""What a library imports when one of its functions is first called."""


def preload(kind: str) -> None:
    """Import the loader of a kind of file, and all that is loaded only when it is first used.

    :param kind: as ``sniff`` returns it.
    """
    for name in (*_OF_KIND.get(kind, _PLATE), *_LATER):
        import_module(name)
    Image.preinit()  # the plugins of PNG and JPEG
    CATALOGUE.part("artwork")  # the preview's legend
