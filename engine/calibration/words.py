"""A probe's sensitivity and spring constant in words: value, doubt, where from."""

from collections.abc import Iterator, Mapping
from typing import Any

from engine.calibration.values import FROM_TABLE

_WORDS = {FROM_TABLE: "as disc.toml says", "": ""}


def value_text(value: float | None, rel_sd: float | None, unit: str, source: str) -> str:
    """Write one value of a probe.

    Examples
    --------
    >>> value_text(61.94, 0.004, "nm/V", "stiff curve")
    '61.9 nm/V ± 0.4 %, from its stiff curve'
    >>> value_text(None, None, "nm/V", "")
    'none'
    """
    if value is None:
        return "none"
    doubt = "" if rel_sd is None else f" ± {100 * rel_sd:.2g} %"
    where = _WORDS.get(source, f"from its {source}")
    return f"{value:.3g} {unit}{doubt}" + (f", {where}" if where else "")


def probe_lines(probes: Mapping[str, Mapping[str, Any]]) -> Iterator[str]:
    """Write one line a probe that has calibration files.

    Parameters
    ----------
    probes
        Records of the probes, by name.
    """
    for name, probe in probes.items():
        if probe.get("calibration"):
            spring = value_text(
                probe["spring_constant_N_per_m"],
                probe["spring_constant_rel_sd"],
                "N/m",
                probe["spring_constant_from"],
            )
            sensitivity = value_text(
                probe["sensitivity_nm_per_V"],
                probe["sensitivity_rel_sd"],
                "nm/V",
                probe["sensitivity_from"],
            )
            yield f"probe {name}: sensitivity {sensitivity}; spring constant {spring}"
