"""What the shop wants: its settings, and the specification of a model."""

from rig.settings.shop_settings import (
    ENVIRONMENT,
    FILE_NAME,
    Classes,
    Model,
    Rig,
    Settings,
    Shop,
    Turning,
    edit_settings,
    example_settings,
    example_specification,
    load_settings,
    load_specification,
    parse_settings,
    settings_path,
)
from rig.settings.specification import Specification

__all__ = [
    "ENVIRONMENT",
    "FILE_NAME",
    "Classes",
    "Model",
    "Rig",
    "Settings",
    "Shop",
    "Specification",
    "Turning",
    "edit_settings",
    "example_settings",
    "example_specification",
    "load_settings",
    "load_specification",
    "parse_settings",
    "settings_path",
]
