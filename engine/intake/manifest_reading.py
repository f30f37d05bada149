"""Reading ``disc.toml``, with every defect in it told at once.

Keys that the contract does not know are ignored with a caution, so that a laboratory may keep
its own beside ours; but a key that looks like a misspelling of one that is not given is a defect,
since ignoring it would change numbers without a word.
"""

import difflib
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath
from typing import Any, TypeVar, cast

from pydantic import ValidationError

from engine.intake.limits import MAX_TEXT_BYTES
from engine.intake.manifest import (
    FORMAT,
    ClipTable,
    Disc,
    FrameMethod,
    FrameTable,
    Manifest,
    Mosaic,
    Probe,
    ProbeCalibration,
    Sample,
    Table,
)
from engine.intake.report import Refused, Report, shown
from engine.intake.text import read_text

_TOP = ("format", "sites", "disc", "sample", "mosaic", "frame", "probes", "clips")
_MISSPELT = 0.8
_AGREE = 0.01


@dataclass
class Parts:
    """What could be made of ``disc.toml``, part by part.

    Attributes
    ----------
    manifest
        The whole, or None if any part is wrong.
    known
        Whether the file could be parsed at all; if not, nothing is said about missing keys.
    mosaic_file, mosaic_tiles, mosaic_channels, mosaic_pixel_um
        Those keys of ``[mosaic]``, each None if absent or wrong.
    mosaic_pixel_given
        Whether there is a pixel size, right or wrong.
    landmarks
        Path of the table of landmarks, or None.
    frame_method
        The map that is fitted to them; None where the folder does not ask for one.
    probes
        The sound probes.
    probe_names
        All names under ``[probes]``, sound or not.
    sites
        Path of the table of sites.
    clips
        The sound tables of clips.
    """

    manifest: Manifest | None = None
    known: bool = False
    mosaic_file: str | None = None
    mosaic_tiles: str | None = None
    mosaic_channels: tuple[str, ...] | None = None
    mosaic_pixel_um: float | None = None
    mosaic_pixel_given: bool = False
    landmarks: str | None = None
    frame_method: FrameMethod | None = None
    probes: dict[str, Probe] = field(default_factory=dict)
    probe_names: frozenset[str] = frozenset()
    sites: str = "sites.csv"
    clips: tuple[ClipTable, ...] = ()


_Model = TypeVar("_Model", bound=Table)


def read_manifest(path: Path, report: Report) -> Parts:
    """Read ``disc.toml`` and tell every defect in it.

    Parameters
    ----------
    path
        The file.
    report
        Takes the defects.
    """
    parts = Parts()
    raw: dict[str, Any] | None = None
    with report.reading():
        raw = _parse(path)
    if raw is None:
        return parts
    parts.known = True
    _unknown_keys(raw, "", _TOP, report)
    _check_format(raw, report)
    disc = _table(raw, "disc", Disc, report)
    sample = _table(raw, "sample", Sample, report)
    mosaic = _mosaic(raw, parts, report)
    frame = _table(raw, "frame", FrameTable, report) if "frame" in raw else FrameTable()
    if frame is not None:
        parts.landmarks, parts.frame_method = frame.landmarks, frame.method
    _probes(raw, parts, report)
    parts.clips = _clips(raw, report)
    sites = raw.get("sites", parts.sites)
    if isinstance(sites, str) and sites:
        parts.sites = sites
    else:
        report.defect("sites", shown(sites), "a path to a table")
    whole = (disc, sample, mosaic, frame)
    if all(part is not None for part in whole) and len(parts.probes) == len(parts.probe_names) > 0:
        parts.manifest = Manifest.model_construct(
            format=FORMAT,
            disc=cast(Disc, disc),
            sample=cast(Sample, sample),
            mosaic=cast(Mosaic, mosaic),
            frame=cast(FrameTable, frame),
            probes=parts.probes,
            sites=parts.sites,
            clips=parts.clips,
        )
    return parts


def _clips(raw: Mapping[str, Any], report: Report) -> tuple[ClipTable, ...]:
    tables = raw.get("clips", [])
    if not isinstance(tables, list):
        report.defect("[[clips]]", shown(tables), "one table [[clips]] a clip")
        return ()
    found: dict[str, ClipTable] = {}
    for number, table in enumerate(tables, 1):
        place = f"[[clips]] {number}"
        if not isinstance(table, dict):
            report.defect(place, shown(table), "a table [[clips]]")
            continue
        file = table.get("file")
        stem = PurePosixPath(file).stem if isinstance(file, str) else "clip"
        clip = _validated({"name": stem, **table}, place, ClipTable, report)
        if clip is not None and clip.name in found:
            report.defect(f"{place} name", shown(clip.name), "a name that no other clip has")
        elif clip is not None:
            found[clip.name] = clip
    return tuple(found.values())


def _parse(path: Path) -> dict[str, Any]:
    text = read_text(path, MAX_TEXT_BYTES)
    try:
        return tomllib.loads(text.replace("\r\n", "\n"))
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise Refused(
            "", f"no valid TOML: {error or 'nested too deeply'}", "a TOML document"
        ) from None


def _check_format(raw: Mapping[str, Any], report: Report) -> None:
    found = raw.get("format")
    if found != FORMAT:
        report.defect("format", "nothing" if found is None else shown(found), shown(FORMAT))


def _table(raw: Mapping[str, Any], name: str, model: type[_Model], report: Report) -> _Model | None:
    table = raw.get(name)
    if not isinstance(table, dict):
        found = "nothing" if table is None else shown(table)
        report.defect(f"[{name}]", found, f"a table [{name}]")
        return None
    return _validated(table, f"[{name}]", model, report)


def _validated(
    table: dict[str, Any],
    place: str,
    model: type[_Model],
    report: Report,
    also_known: tuple[str, ...] = (),
) -> _Model | None:
    _unknown_keys(table, place, (*model.model_fields, *also_known), report)
    try:
        return model.model_validate(table)
    except ValidationError as errors:
        for error in errors.errors(include_url=False):
            key = str(error["loc"][0])
            found = "nothing" if error["type"] == "missing" else shown(table.get(key))
            expected = model.model_fields[key].description or "another value"
            report.defect(f"{place} {key}", found, expected)
    return None


def _unknown_keys(
    table: Mapping[str, Any], place: str, known: tuple[str, ...], report: Report
) -> None:
    absent = [key for key in known if key not in table]
    for key in sorted(set(table) - set(known)):
        where = f"{place} {key}".strip()
        near = difflib.get_close_matches(key.lower(), [k.lower() for k in absent], 1, _MISSPELT)
        if near:
            meant = next(k for k in absent if k.lower() == near[0])
            report.defect(where, f"the unknown key {shown(key)}", f"{meant} (a misspelling?)")
        else:
            report.caution("unknown_key", f"disc.toml {where} is not in the contract: ignored.")


def _mosaic(raw: Mapping[str, Any], parts: Parts, report: Report) -> Mosaic | None:
    before = len(report.defects)
    mosaic = _table(raw, "mosaic", Mosaic, report)
    table = raw.get("mosaic")
    if not isinstance(table, dict):
        return None
    _check_channels(table.get("channels"), parts, report)
    _check_source(table, parts, report)
    parts.mosaic_pixel_given = "pixel_size_um" in table
    pixel = table.get("pixel_size_um")
    if isinstance(pixel, int | float) and not isinstance(pixel, bool) and 0 < pixel <= 1000:
        parts.mosaic_pixel_um = float(pixel)
    return mosaic if len(report.defects) == before else None


def _check_channels(channels: object, parts: Parts, report: Report) -> None:
    if not isinstance(channels, list) or not all(isinstance(n, str) and n for n in channels):
        return  # told by the model
    place = "[mosaic] channels"
    if len(set(channels)) < len(channels):
        report.defect(place, f"a name twice in {shown(channels)}", "each name once")
    if channels and "nuclei" not in channels:
        report.defect(place, shown(channels), "'nuclei' among them: cells are found in it")
    if channels:
        parts.mosaic_channels = tuple(channels)


def _check_source(table: Mapping[str, Any], parts: Parts, report: Report) -> None:
    file, tiles = table.get("file"), table.get("tiles")
    if "file" in table and "tiles" in table:
        report.defect("[mosaic]", "both file and tiles", "one of them")
    elif "file" not in table and "tiles" not in table:
        report.defect("[mosaic] file", "nothing", "a path to an image, or tiles: a path to a table")
    if isinstance(file, str) and file:
        parts.mosaic_file = file
    elif isinstance(tiles, str) and tiles:
        parts.mosaic_tiles = tiles


def _probes(raw: Mapping[str, Any], parts: Parts, report: Report) -> None:
    tables = raw.get("probes")
    if not isinstance(tables, dict) or not tables:
        found = "nothing" if tables is None or tables == {} else shown(tables)
        report.defect("[probes]", found, "at least one table [probes.NAME]")
        return
    parts.probe_names = frozenset(tables)
    for name, table in tables.items():
        place = f"[probes.{name}]"
        if not isinstance(table, dict):
            report.defect(place, shown(table), f"a table {place}")
            continue
        probe = _probe(name, table, place, report)
        if probe is not None:
            parts.probes[name] = probe


def _probe(name: str, table: dict[str, Any], place: str, report: Report) -> Probe | None:
    given = {key: value for key, value in table.items() if key not in ("name", "calibration")}
    before = len(report.defects)
    calibration = _calibration(table, place, report)
    if "radius_nm" in given:
        _take_radius_nm(given, place, report)
    probe = _validated(given, place, Probe, report, also_known=("radius_nm",))
    _check_spring(table, place, report)
    shape = given.get("shape")
    needed = {"sphere": "radius_um", "paraboloid": "radius_um"}.get(str(shape))
    needed = needed or {"cone": "half_angle_deg", "pyramid": "half_angle_deg"}.get(str(shape))
    if needed and needed not in given:
        other = " (or radius_nm)" if needed == "radius_um" else ""
        report.defect(f"{place} {needed}", "nothing", f"{needed}{other}, which a {shape} needs")
    if probe is None or len(report.defects) > before:
        return None
    return probe.model_copy(update={"name": name, "calibration": calibration})


def _check_spring(table: Mapping[str, Any], place: str, report: Report) -> None:
    calibration = table.get("calibration")
    thermal = isinstance(calibration, dict) and "thermal" in calibration
    if "spring_constant_N_per_m" not in table and not thermal:
        expected = Probe.model_fields["spring_constant_N_per_m"].description or ""
        report.defect(f"{place} spring_constant_N_per_m", "nothing", expected)


def _calibration(probe: Mapping[str, Any], place: str, report: Report) -> ProbeCalibration | None:
    table = probe.get("calibration")
    if table is None:
        return None
    where = f"[{place.strip('[]')}.calibration]"
    if not isinstance(table, dict):
        report.defect(where, shown(table), f"a table {where}")
        return None
    found = _validated(table, where, ProbeCalibration, report)
    if "stiff_curve" not in table and "thermal" not in table:
        report.defect(where, "neither stiff_curve nor thermal", "a path under at least one of them")
    if "thermal" in table:
        _check_thermal(table, where, report)
    low, high = (table.get(key) for key in ("low_Hz", "high_Hz"))
    if found is not None and (low is None) != (high is None):
        report.defect(where, "only one of low_Hz and high_Hz", "both or none")
    elif found is not None and low is not None and high is not None and not low < high:
        report.defect(f"{where} high_Hz", f"{high} beside low_Hz {low}", "a number above low_Hz")
    return found


def _check_thermal(table: Mapping[str, Any], where: str, report: Report) -> None:
    if "temperature_K" not in table:
        expected = "a temperature in kelvin, which the thermal motion needs"
        report.defect(f"{where} temperature_K", "nothing", expected)
    if "beam" in table and "beam_factor" in table:
        report.defect(where, "both beam and beam_factor", "one of them")
    elif "beam" not in table and "beam_factor" not in table:
        report.defect(f"{where} beam", "nothing", "rectangular, v_shaped or ideal, or beam_factor")


def _take_radius_nm(given: dict[str, Any], place: str, report: Report) -> None:
    value = given.pop("radius_nm")
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0.1 <= value <= 1e7:
        report.defect(f"{place} radius_nm", shown(value), "a number from 0.1 to 1e7, nanometres")
        given.setdefault("radius_um", 1.0)  # the defect is told; no second one for a missing radius
        return
    radius_um = value / 1e3
    other = given.setdefault("radius_um", radius_um)
    if isinstance(other, int | float) and abs(other - radius_um) > _AGREE * radius_um:
        report.defect(
            f"{place} radius_um", f"{other} um beside {value} nm", "the same radius within 1 %"
        )
