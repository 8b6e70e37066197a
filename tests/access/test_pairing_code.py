"""The invitation: PIN, addresses, and the code that a phone reads.

That readers read it was checked by hand with zxing-cpp.
"""

from __future__ import annotations

from xml.etree import ElementTree

from api.access.pairing_code import PairingCode, base_addresses

INVITATION = PairingCode("012345", base_addresses(("192.0.2.7", "bench.local"), 8420))
SVG = "{http://www.w3.org/2000/svg}"


def test_page_addresses() -> None:
    assert INVITATION.addresses == ("http://192.0.2.7:8420/", "http://bench.local:8420/")


def test_pin_in_fragment() -> None:
    assert INVITATION.url == "http://192.0.2.7:8420/#pin=012345"


def test_svg_code() -> None:
    image = ElementTree.fromstring(INVITATION.svg())
    assert image.tag == f"{SVG}svg"
    assert image.get("width") is None
    left, top, width, height = (float(number) for number in (image.get("viewBox") or "").split())
    assert (left, top) == (0.0, 0.0)
    # Version 3, 29 modules (ISO/IEC 18004): 34 bytes need it at level M.
    # The quiet zone is four modules wide.
    assert (width, height) == (29 + 8, 29 + 8)
    assert [part.get("style") for part in image.iter()] == [None] * 3
    assert {part.tag for part in image.iter()} == {f"{SVG}svg", f"{SVG}path"}


def test_journal_text() -> None:
    """Whoever may read the journal does not learn the PIN."""
    assert "012" not in INVITATION.without_pin()
    assert "  http://192.0.2.7:8420/\n" in INVITATION.without_pin()


def test_terminal_text() -> None:
    text = INVITATION.terminal()
    assert text.splitlines()[-1] == "and give the PIN 012 345."
    assert "  http://192.0.2.7:8420/\n  http://bench.local:8420/\n" in text
    code = text[: text.index("Scan the code")].splitlines()
    assert len(code) == -(-(29 + 4) // 2), "two rows of modules a line, two modules of margin"
    assert {len(line) for line in code} == {29 + 4}
