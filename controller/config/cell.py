"""The cell: how plate and minus plate hang in the bath."""

from __future__ import annotations

from pydantic import Field, model_validator

from controller.config.section import Section
from controller.errors import RefusedError
from controller.physics.bath_field import BathField


class CellSettings(Section):
    """Geometry and conductivity of the bath. They decide where the plate etches deeper.

    The defaults are wide guesses. Sources: gap of 50 to 100 mm, common practice, no source; the
    conductivity of nitric acid of 4 to 8 % by weight at 18 degC is 21 to 39 S/m (Kohlrausch, in
    the CRC Handbook, from memory), and dissolved metal lowers it.
    """

    gap_mm: float = Field(
        60.0, ge=5.0, le=500.0, description="Gap between plate and minus plate, mm."
    )
    margin_mm: float = Field(
        30.0,
        ge=0.0,
        le=300.0,
        description="Free liquid around the plate, up to the walls of the tank, mm.",
    )
    conductivity_s_per_m: float = Field(
        25.0, ge=0.5, le=100.0, description="Conductivity of the bath, S/m."
    )
    minus_plate_width_mm: float | None = Field(
        None, ge=5.0, le=1000.0, description="Width of the minus plate under the liquid, mm."
    )
    minus_plate_height_mm: float | None = Field(
        None, ge=5.0, le=1000.0, description="Height of the minus plate under the liquid, mm."
    )

    @property
    def field(self) -> BathField:
        """The bath as the current sees it."""
        width_mm, height_mm = self.minus_plate_width_mm, self.minus_plate_height_mm
        minus_plate = None if width_mm is None or height_mm is None else (width_mm, height_mm)
        return BathField(self.gap_mm, self.conductivity_s_per_m, self.margin_mm, minus_plate)

    @model_validator(mode="after")
    def _both_sides(self) -> CellSettings:
        if (self.minus_plate_width_mm is None) != (self.minus_plate_height_mm is None):
            raise RefusedError("config.half_minus_plate")
        return self
