"""The whole configuration file."""

from __future__ import annotations

from pydantic import Field, ValidationInfo, field_validator

from controller.config.cell import CellSettings
from controller.config.limits import UNDER_BUS_RANGE_V, LimitSettings
from controller.config.nearest import nearest
from controller.config.rig import RigSettings
from controller.config.section import Section, refuse_all
from controller.config.services import (
    ArtworkSettings,
    LogbookSettings,
    LoopSettings,
    MessageSettings,
    MetalSettings,
    ServerSettings,
)
from controller.physics.faraday import METALS
from controller.texts import Message


class Settings(Section):
    """The whole file. Every table may be left out."""

    rig: RigSettings = RigSettings()
    cell: CellSettings = CellSettings()
    limits: LimitSettings = LimitSettings()
    loop: LoopSettings = LoopSettings()
    server: ServerSettings = ServerSettings()
    logbook: LogbookSettings = LogbookSettings()
    messages: MessageSettings = MessageSettings()
    artwork: ArtworkSettings = ArtworkSettings()
    metals: dict[str, MetalSettings] = Field(default_factory=dict)

    @property
    def max_zero_offset_a(self) -> float:
        """Largest zero offset before a run, A: the limit in the file, else the data sheet's.

        Raises: RefusedError when no range of the sensor holds ``rig.max_current_a``.
        """
        limit_v = self.limits.max_zero_offset_v
        if limit_v is None:
            limit_v = self.rig.spec.max_zero_offsets_v[self.rig.range_index]
        return limit_v / self.rig.shunt_ohm

    @field_validator("limits")
    @classmethod
    def _measurable(cls, limits: LimitSettings, info: ValidationInfo) -> LimitSettings:
        """Refuse a voltage limit that the sensor cannot see."""
        rig = info.data.get("rig")
        if not isinstance(rig, RigSettings):  # the table has an error itself
            return limits
        most_v = rig.spec.bus_range_v - UNDER_BUS_RANGE_V
        refuse_all(
            [
                Message(
                    "config.beyond_sensor",
                    {
                        "key_name": f"limits.{name}",
                        "value_v": getattr(limits, name),
                        "limit_v": most_v,
                        "chip": rig.spec.chip,
                        "range_v": rig.spec.bus_range_v,
                    },
                )
                for name in ("max_voltage_v", "off_voltage_v")
                if getattr(limits, name) > most_v
            ]
        )
        return limits

    @field_validator("metals")
    @classmethod
    def _known(cls, metals: dict[str, MetalSettings]) -> dict[str, MetalSettings]:
        refuse_all([_unknown(metal) for metal in metals if metal not in METALS])
        return metals


def _unknown(metal: str) -> Message:
    near = nearest(metal, list(METALS))
    if near is not None:
        return Message("config.unknown_metal_near", {"metal": repr(metal), "near": near})
    return Message("config.unknown_metal", {"metal": repr(metal), "known": ", ".join(METALS)})
