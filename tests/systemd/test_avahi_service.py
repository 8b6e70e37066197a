"""The file by which Avahi announces the page."""

from __future__ import annotations

import tomllib
import xml.etree.ElementTree as ET

from tests.paths import ROOT


def test_announcement_leads_to_page() -> None:
    """Source: avahi.service(5); the type of a web page is registered with IANA (RFC 6763)."""
    root = ET.parse(ROOT / "systemd" / "biteclock.avahi-service").getroot()
    assert root.tag == "service-group"
    name = root.find("name")
    assert name is not None
    assert (name.text, name.attrib) == ("biteclock on %h", {"replace-wildcards": "yes"})
    services = root.findall("service")
    assert [service.findtext("type") for service in services] == ["_http._tcp"]
    sample = tomllib.loads((ROOT / "systemd" / "biteclock.toml").read_text(encoding="utf-8"))
    assert services[0].findtext("port") == str(sample["server"].get("port", 8420))
