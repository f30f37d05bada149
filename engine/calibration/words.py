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
            sensitivity = _with_files(probe, "sensitivity", "nm_per_V", "nm/V")
            spring = _with_files(probe, "spring_constant", "N_per_m", "N/m")
            yield f"probe {name}: sensitivity {sensitivity}; spring constant {spring}"


def _with_files(probe: Mapping[str, Any], what: str, key: str, unit: str) -> str:
    """One value; beside one of the table, what its files say."""
    source = probe[f"{what}_from"]
    text = value_text(probe[f"{what}_{key}"], probe[f"{what}_rel_sd"], unit, source)
    said = probe.get("files_say", {}).get(f"{what}_{key}")
    beside = source == FROM_TABLE and said is not None
    return f"{text} (its files say {said:.4g} {unit})" if beside else text
