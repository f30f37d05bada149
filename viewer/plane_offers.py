"""Which panels and modes the plane offers, in the order of their buttons."""

from __future__ import annotations

from viewer.panel_field import FieldPanel
from viewer.panel_stains import StainsPanel
from viewer.panel_tiles import TilesPanel
from viewer.plane_correct import CorrectMode
from viewer.plane_landmarks import LandmarkMode
from viewer.plane_modes import Mode
from viewer.plane_panels import Panel
from viewer.plane_profile import ProfileMode
from viewer.site_maps_panel import SiteMapsPanel

PANELS: tuple[type[Panel], ...] = (StainsPanel, FieldPanel, SiteMapsPanel, TilesPanel)
MODES: tuple[type[Mode], ...] = (ProfileMode, CorrectMode, LandmarkMode)
