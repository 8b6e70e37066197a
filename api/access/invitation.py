"""How a phone is invited: the PIN, the addresses, and both together as a QR code."""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass

import segno


@dataclass(frozen=True, slots=True)
class Invitation:
    """What somebody at the bench is shown.

    :param pin: six digits.
    :param addresses: base addresses, such as http://192.168.1.20:8420/, the one for the code first.
    """

    pin: str
    addresses: tuple[str, ...]

    @property
    def url(self) -> str:
        """Address with the PIN in its fragment, which a browser keeps to itself and never sends. Source: RFC 3986 section 3.5."""
        return f"{self.addresses[0]}#pin={self.pin}"

    def svg(self) -> str:
        """Return the QR code of ``url`` as SVG, black on white so that it can be read in a dark page, too."""
        page = io.BytesIO()
        self._code().save(
            page,
            kind="svg",
            xmldecl=False,
            border=4,
            light="#fff",
            dark="#000",
            svgclass=None,
            lineclass=None,
            omitsize=True,
        )
        return page.getvalue().decode()

    def terminal(self) -> str:
        """Return what the daemon prints: PIN, addresses and QR code."""
        code = io.StringIO()
        self._code().terminal(code, border=2, compact=True)
        return f"{code.getvalue()}Scan the code, or: {self.text()}"

    def text(self) -> str:
        """Return PIN and addresses, for a journal."""
        addresses = "\n".join(f"  {address}" for address in self.addresses)
        return f"To pair a phone, open\n{addresses}\nand give the PIN {self.spaced_pin}."

    @property
    def spaced_pin(self) -> str:
        """PIN in two halves, as people read it."""
        return f"{self.pin[:3]} {self.pin[3:]}"

    def _code(self) -> segno.QRCode:
        return segno.make_qr(self.url, error="m", boost_error=False)


def base_addresses(hosts: Sequence[str], port: int) -> tuple[str, ...]:
    """Return the base addresses of hosts."""
    return tuple(f"http://{host}:{port}/" for host in hosts)
