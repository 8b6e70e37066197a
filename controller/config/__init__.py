"""The settings of the rig, read from one TOML file."""

from controller.config.cell import CellSettings
from controller.config.limits import LimitSettings
from controller.config.reading import load_settings, parse_settings
from controller.config.rig import RigSettings
from controller.config.section import Section
from controller.config.services import LogbookSettings, LoopSettings, MetalSettings, ServerSettings
from controller.config.settings import Settings

__all__ = [
    "CellSettings",
    "LimitSettings",
    "LogbookSettings",
    "LoopSettings",
    "MetalSettings",
    "RigSettings",
    "Section",
    "ServerSettings",
    "Settings",
    "load_settings",
    "parse_settings",
]
