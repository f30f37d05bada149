"""Which panels and modes the plane offers, in the order of their buttons."""

from __future__ import annotations

from viewer.plane_modes import Mode
from viewer.plane_panels import Panel
from viewer.plane_profile import ProfileMode

PANELS: tuple[type[Panel], ...] = ()
MODES: tuple[type[Mode], ...] = (ProfileMode,)
