"""What the fit of a probe's curves takes for granted: the disc folder's word, or the settings'.

The one place where a stored probe becomes a tip for the fit: the analysis, the uncertainty and the
site card all ask here.
"""

from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, replace
from typing import Any

from engine.errors import Defect, FolderError
from engine.mechanics import Layer, MechanicsSettings, ProbeSettings, Tip, layer_under

SETTINGS = "settings"
"""What a defect of the settings is called where no file of them is known."""


@dataclass(frozen=True)
class Assumptions:
    """What is assumed of one probe and of the tissue under it.

    Attributes
    ----------
    tip
        The tip with the contact law.
    spring_constant_N_per_m, spring_constant_rel_sd
        As calibrated; the latter None where it was not given.
    poisson_ratio
        Of the tissue.
    thickness_um
        Thickness of the indented layer; None = not known.
    layer
        The layer that the contact law is corrected for; None = taken as a half-space.
    depth_share
        Share of each curve's own indentation that is fitted.
    changed
        Names of the settings that stand in place of the disc folder's word.
    """

    tip: Tip
    spring_constant_N_per_m: float
    spring_constant_rel_sd: float | None
    poisson_ratio: float
    thickness_um: float | None
    layer: Layer | None
    depth_share: float
    changed: tuple[str, ...]

    def record(self) -> dict[str, Any]:
        """Give all of it as plain values, with the name of the contact law in force."""
        values = asdict(self)
        tip, layer = values.pop("tip"), values.pop("layer")
        values |= {"layer_base": layer and layer["base"], "changed": list(self.changed)}
        return {"contact_model": self.tip.law.name, **tip, **values}


def tip_of(probe: Mapping[str, Any]) -> Tip:
    """Tip of a stored probe, as the disc folder has it."""
    radius_um = probe.get("radius_um")
    return Tip(
        shape=probe["shape"],
        radius_nm=None if radius_um is None else 1e3 * radius_um,
        half_angle_deg=probe.get("half_angle_deg"),
    )


def probe_settings(settings: MechanicsSettings, name: str) -> ProbeSettings:
    """Give the settings in force for a probe: its own above those for every probe."""
    own = settings.probes.get(name, ProbeSettings())
    return settings.every_probe.model_copy(update=own.model_dump(exclude_none=True))


def assumptions(
    probe: Mapping[str, Any], sample: Mapping[str, Any], settings: MechanicsSettings, name: str
) -> Assumptions:
    """Join what the disc folder says of a probe with what the settings say instead.

    Parameters
    ----------
    probe, sample
        As the store keeps them.
    settings
        Settings of the analysis.
    name
        The probe's name.

    Raises
    ------
    ValueError
        If the contact law needs a size that is not known.
    """
    s = probe_settings(settings, name)
    given = s.model_dump(exclude_none=True)
    tip = _tip(tip_of(probe), s)
    poisson = float(given.get("poisson_ratio", sample["poisson_ratio"]))
    thickness = given.get("thickness_um", sample.get("thickness_um"))
    return Assumptions(
        tip=tip,
        spring_constant_N_per_m=float(probe["spring_constant_N_per_m"]),
        spring_constant_rel_sd=probe.get("spring_constant_rel_sd"),
        poisson_ratio=poisson,
        thickness_um=thickness,
        layer=layer_under(tip, thickness, poisson, settings.layer_base),
        depth_share=s.fit_depth_share or 1.0,
        changed=tuple(given),
    )


def _tip(own: Tip, s: ProbeSettings) -> Tip:
    radius = own.radius_nm if s.tip_radius_nm is None else s.tip_radius_nm
    if s.contact_model == "cone":
        radius = None  # asked for by name: a sharp one
    return replace(
        own,
        shape=s.contact_model or own.shape,
        radius_nm=radius,
        half_angle_deg=s.half_angle_deg or own.half_angle_deg,
    )


def check_probe_settings(
    probes: Mapping[str, Mapping[str, Any]],
    sample: Mapping[str, Any],
    used: Iterable[str],
    settings: MechanicsSettings,
) -> None:
    """Refuse settings for a probe that is not there, or that ask a law for a size it has not.

    Parameters
    ----------
    probes, sample
        As the store keeps them.
    used
        Names of the probes that took force curves.
    settings
        Settings of the analysis.

    Raises
    ------
    FolderError
        One defect for each.
    """
    have = " or ".join(sorted(probes))
    defects = [
        Defect(SETTINGS, f"mechanics.probes.{name}", "no such probe in this disc", have)
        for name in settings.probes
        if name not in probes
    ]
    for name in sorted(set(used)):
        try:
            assumptions(probes[name], sample, settings, name)
        except ValueError as error:
            asked = probe_settings(settings, name).contact_model
            found = f"{asked} with what is known of the probe: {error}"
            expected = "a law whose sizes are known, or the missing size beside it"
            where = f"mechanics.probes.{name}.contact_model"
            defects.append(Defect(SETTINGS, where, found, expected))
    if defects:
        raise FolderError(defects)
