"""What a person asks for: a piece to be planned."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import ConfigDict

from api.http.models.base import HASH, NAME, NO_UNIT, PLAIN_TEXT, RequestModel, described, number
from api.http.models.plates.measured import NarrowLineBody, PieceOnPlateBody, PlaceBody
from controller.artwork.assembly.layout import MOST_PIECES
from controller.artwork.limits import MAX_LISTED_LINES
from controller.physics.places import MAX_PLACES
from controller.planning.request import (
    MAX_FINISHING_MM,
    MAX_GAUGE_STOPS,
    WIDEST_FLOOR_MIDDLE,
    TargetPlace,
)
from controller.recording.baths import MAX_NAME

MAX_GROWTH_PAIRS = 1000
"""Pairs of a growth curve: an artwork measured every 0.001 mm up to 1 mm."""

GrowthPair = tuple[
    Annotated[float, number("Growth into the resist.", "mm", 0.05, ge=0.0, le=100.0)],
    Annotated[float, number("Open area after it.", "mm2", 812.0, ge=0.01, le=1e6)],
]

GaugeStop = Annotated[float, number("Depth.", "mm", 0.188, ge=1e-4, le=10.0)]


class PlanRequestBody(RequestModel):
    """A piece to be planned. Lengths in mm, areas in mm2.

    Give either the depth or the charge, and either the current or the current density. A measured
    ``artwork`` fills what the request leaves out: area_mm2, edge_mm, growth_mm2,
    area_uncertainty_fraction, narrow_lines, narrowest_open_mm and places. The lower bounds are far
    below anything that can be etched. They keep the arithmetic finite.
    """

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {
                    "metal": "fine-silver",
                    "area_mm2": 767.0,
                    "depth_mm": 0.25,
                    "current_a": 3.0,
                    "thickness_mm": 1.2,
                }
            ]
        }
    )

    metal: Annotated[
        str,
        described(
            "Name of the metal, see /api/metals.",
            NO_UNIT,
            "fine-silver",
            max_length=40,
            pattern=NAME,
        ),
    ]
    area_mm2: Annotated[
        float | None,
        number(
            "Open area of one artwork at the start; may be left out with artwork or growth_mm2.",
            "mm2",
            767.0,
            ge=0.01,
            le=1e6,
        ),
    ] = None
    depth_mm: Annotated[
        float | None,
        number(
            "Target depth at target_place. Give this or charge_coulombs.",
            "mm",
            0.25,
            ge=1e-4,
            le=10.0,
        ),
    ] = None
    charge_coulombs: Annotated[
        float | None, number("Target charge, instead of the depth.", "C", 1800.0, ge=1e-3, le=1e8)
    ] = None
    current_a: Annotated[
        float | None, number("Current that the supply will give.", "A", 3.0, ge=1e-3, le=1000.0)
    ] = None
    density_a_per_dm2: Annotated[
        float | None,
        number("Current density, instead of the current.", "A/dm2", 15.0, ge=1e-3, le=1000.0),
    ] = None
    edge_mm: Annotated[
        float,
        number(
            "Length of the edges between metal and resist of one artwork; 0 when unknown.",
            "mm",
            310.0,
            ge=0.0,
            le=1e6,
        ),
    ] = 0.0
    thickness_mm: Annotated[
        float | None,
        number(
            "Sheet thickness. Without it nothing protects against etching through.",
            "mm",
            1.2,
            ge=0.01,
            le=100.0,
        ),
    ] = None
    sheet_mm2: Annotated[
        float | None,
        number(
            "Bare size of the sheet, for the share of metal lost.", "mm2", 1500.0, ge=0.01, le=1e7
        ),
    ] = None
    pieces: Annotated[
        int, described("Copies of the artwork on the plate.", NO_UNIT, 1, strict=True, ge=1, le=500)
    ] = 1
    sides: Annotated[
        int, described("Sides of the sheet that are etched.", NO_UNIT, 1, strict=True, ge=1, le=2)
    ] = 1
    other_bare_mm2: Annotated[
        float,
        number(
            "Other bare metal in the bath: contact tab, untaped edges and back.",
            "mm2",
            120.0,
            ge=0.0,
            le=1e6,
        ),
    ] = 0.0
    supply_mode: Annotated[
        Literal["constant-current", "constant-voltage"],
        described("How the supply is set.", NO_UNIT, "constant-current"),
    ] = "constant-current"
    growth_mm2: Annotated[
        tuple[GrowthPair, ...] | None,
        described(
            "Measured growth curve of one artwork. Each pair is a growth into the resist in mm, "
            "rising from 0, and the open area in mm2.",
            "mm2",
            [[0.0, 767.0], [0.1, 798.0]],
            min_length=2,
            max_length=MAX_GROWTH_PAIRS,
        ),
    ] = None
    area_uncertainty_fraction: Annotated[
        float,
        number(
            "Standard deviation of the open area, as a share of it.", NO_UNIT, 0.03, ge=1e-3, lt=0.5
        ),
    ] = 0.03
    artwork: Annotated[
        str | None,
        described(
            "Name of a measured artwork, see /api/artworks.", NO_UNIT, "3f" * 32, pattern=HASH
        ),
    ] = None
    narrow_lines: Annotated[
        tuple[NarrowLineBody, ...],
        described(
            "Resist lines that an undercut could eat through.",
            NO_UNIT,
            [{"x_mm": 12.4, "y_mm": 7.1, "width_mm": 0.31}],
            max_length=MAX_LISTED_LINES,
        ),
    ] = ()
    narrowest_open_mm: Annotated[
        float | None, number("Narrowest opening of the artwork.", "mm", 0.22, ge=1e-4, le=1e3)
    ] = None
    places: Annotated[
        tuple[PlaceBody, ...],
        described(
            "How deep each place gets. A measured artwork fills it.",
            NO_UNIT,
            [],
            max_length=MAX_PLACES,
        ),
    ] = ()
    pieces_on_plate: Annotated[
        tuple[PieceOnPlateBody, ...],
        described(
            "The pieces of a plate of several artworks. A measured plate fills it.",
            NO_UNIT,
            [],
            max_length=MOST_PIECES,
        ),
    ] = ()
    film_mm: Annotated[float, number("Thickness of the resist.", "mm", 0.045, ge=1e-4, le=1.0)] = (
        0.045
    )
    bath: Annotated[
        str | None,
        described(
            "Name of the bath, see /api/baths. Without it nothing is learned for the next run.",
            NO_UNIT,
            "silver bath of March",
            min_length=1,
            max_length=MAX_NAME,
            pattern=PLAIN_TEXT,
        ),
    ] = None
    bath_volume_l: Annotated[
        float | None, number("Volume of the bath, for its warming.", "L", 1.0, ge=1e-3, le=1e4)
    ] = None
    expected_voltage_v: Annotated[
        float,
        number("Cell voltage for power and heat.", "V", 3.0, ge=1e-2, le=100.0),
    ] = 3.0
    stop_policy: Annotated[
        Literal["best-estimate", "never-deeper"],
        described(
            "Stop when the best estimate reaches the target, or when the upper bound does.",
            NO_UNIT,
            "best-estimate",
        ),
    ] = "best-estimate"
    gauge_stops_mm: Annotated[
        tuple[GaugeStop, ...],
        described(
            "Depths at which the run pauses to be gauged.",
            "mm",
            [0.188],
            max_length=MAX_GAUGE_STOPS,
        ),
    ] = ()
    piece: Annotated[
        str,
        described("Name of the piece.", NO_UNIT, "fern brooch", max_length=80, pattern=PLAIN_TEXT),
    ] = ""
    target_place: Annotated[
        TargetPlace,
        described(
            "Where the target depth is meant. Without known places it is the mean depth.",
            NO_UNIT,
            "widest-floor-middle",
        ),
    ] = WIDEST_FLOOR_MIDDLE
    finishing_mm: Annotated[
        float,
        number(
            "What emery and polish will take off the raised ground: etched so much deeper.",
            "mm",
            0.03,
            ge=0.0,
            le=MAX_FINISHING_MM,
        ),
    ] = 0.0
