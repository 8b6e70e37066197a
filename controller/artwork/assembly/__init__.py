"""One plate from several artworks: places, arranges, assembles and measures its pieces.

``layout``, ``arranging`` and ``plate_file`` need only the standard library. The rest runs in the
measuring process. The plate is a ZIP file that holds the artworks and their places, so that
everything that reads an artwork reads it, and each pixel comes from the artwork itself.
"""
