"""What pairs a phone: the PIN, the addresses, and a QR code of both."""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass

import segno

from controller.texts import text


@dataclass(frozen=True, slots=True)
class PairingCode:
    """The PIN with the addresses at which it can be given.

    :param pin: six digits.
    :param addresses: base addresses, such as http://192.168.1.20:8420/. The first is in the code.
    :param name: of the bench, or None.
    """

    pin: str
    addresses: tuple[str, ...]
    name: str | None = None

    @property
    def url(self) -> str:
        """Address with the PIN in its fragment, which a browser never sends.

        Source: RFC 3986 section 3.5.
        """
        return f"{self.addresses[0]}#pin={self.pin}"

    def svg(self) -> str:
        """Return the QR code of ``url`` as SVG, black on white so that a dark page works, too."""
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
        """Return PIN, addresses and QR code for a terminal."""
        code = io.StringIO()
        self._code().terminal(code, border=2, compact=True)
        scan = text("http.pairing.scan", qr_code=code.getvalue(), instructions=self.text())
        return scan if self.name is None else f"{self.name}\n{scan}"

    def text(self) -> str:
        """Return PIN and addresses without the code."""
        return text("http.pairing.instructions", addresses=self._listed, pin=self.spaced_pin)

    def without_pin(self) -> str:
        """Return the addresses and how to get the PIN, for a journal that others may read."""
        return text("http.pairing.without_pin", addresses=self._listed)

    @property
    def _listed(self) -> str:
        return "\n".join(f"  {address}" for address in self.addresses)

    @property
    def spaced_pin(self) -> str:
        """The PIN in two halves, as people read it."""
        return f"{self.pin[:3]} {self.pin[3:]}"

    def _code(self) -> segno.QRCode:
        return segno.make_qr(self.url, error="m", boost_error=False)


def base_addresses(hosts: Sequence[str], port: int) -> tuple[str, ...]:
    """Return the base addresses of hosts."""
    return tuple(f"http://{host}:{port}/" for host in hosts)
