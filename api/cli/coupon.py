"""``biteclock coupon``: a weighed coupon shows how fast the acid bites by itself."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from api.cli.bench.local import asking, daemon_option, local_client
from api.cli.options import json_option
from api.cli.printing import help_of, print_json, say
from controller.errors import RefusedError
from controller.texts import text
from controller.units import cm2_to_mm2

if TYPE_CHECKING:
    from controller.physics.attack import AttackRate
    from controller.physics.coupon import Coupon


@click.command(help=help_of("command_line.coupon"))
@click.option("--bath", help=text("command_line.coupon.bath"))
@click.option("--metal", help=text("command_line.coupon.metal"))
@click.option("--area-cm2", type=float, required=True, help=text("command_line.coupon.area_cm2"))
@click.option("--minutes", type=float, required=True, help=text("command_line.coupon.minutes"))
@click.option("--lost-g", type=float, required=True, help=text("command_line.coupon.lost_g"))
@click.option("--temperature-degc", type=float, help=text("command_line.coupon.temperature_degc"))
@click.option(
    "--resolution-g",
    type=float,
    default=0.01,
    show_default=True,
    help=text("command_line.coupon.resolution_g"),
)
@daemon_option
@json_option
@asking
def coupon(
    bath: str | None,
    metal: str | None,
    area_cm2: float,
    minutes: float,
    lost_g: float,
    temperature_degc: float | None,
    resolution_g: float,
    state_directory: Path | None,
    as_json: bool,
) -> None:
    """Print the rate of attack. With a bath, keep it on the bath's card."""
    from controller.physics.coupon import Coupon

    weighed = Coupon(area_cm2, minutes, lost_g, temperature_degc, resolution_g)
    if bath is None:
        values = _judged(weighed, metal)
    else:
        values = _kept(bath, metal, weighed, state_directory)
    if as_json:
        print_json(values)
        return
    rates = {key: value for key, value in values.items() if key.startswith("attack_")}
    say("command_line.coupon.rate", **rates)
    if bath is None:
        say("command_line.coupon.not_kept")
    else:
        say("command_line.coupon.kept", bath=bath)


def _judged(weighed: Coupon, metal: str | None) -> dict[str, Any]:
    """Return what a coupon shows, without a bath. Raises: RefusedError."""
    from controller.physics.coupon import rate_in_use
    from controller.physics.faraday import metal_named

    if metal is None:
        raise RefusedError("command_line.coupon.bath_or_metal", field="metal")
    known = metal_named(metal)
    rate = rate_in_use(known, weighed.rate(known), weighed.degc, weighed.degc)
    return {"bath": None, "metal": metal, **_figures(rate)}


def _figures(rate: AttackRate) -> dict[str, float]:
    from controller.physics.attack import UPPER_SIGMA

    return {
        "attack_um_per_min": rate.um_per_min,
        "attack_low_um_per_min": rate.at_sigma(-UPPER_SIGMA),
        "attack_high_um_per_min": rate.at_sigma(UPPER_SIGMA),
    }


def _kept(
    bath: str, metal: str | None, weighed: Coupon, state_directory: Path | None
) -> dict[str, Any]:
    """Give a coupon to the daemon, which keeps it. Raises: RefusedError and as ApiClient."""
    client = local_client(state_directory)
    if metal is not None:
        known = {it["name"]: it["metal"] for it in client.get("/api/baths")["baths"]}
        if known.get(bath, metal) != metal:
            raise RefusedError(
                "command_line.coupon.other_metal", field="metal", bath=bath, own_metal=known[bath]
            )
    request = {
        "bath": bath,
        "area_mm2": cm2_to_mm2(weighed.area_cm2),
        "time_s": 60.0 * weighed.minutes,
        "lost_g": weighed.lost_g,
        "temperature_degc": weighed.degc,
        "resolution_g": weighed.resolution_g,
    }
    answer = client.post("/api/coupons", request)
    names = ("attack_um_per_min", "attack_low_um_per_min", "attack_high_um_per_min")
    return {"bath": bath, "metal": answer["metal"], **{name: answer[name] for name in names}}
