"""Every setting of an analysis as one validated object, readable and writable as TOML."""

import tomllib
from pathlib import Path
from typing import Any

import tomli_w
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from engine.cells import CellsSettings
from engine.clips import ClipsSettings
from engine.collagen import CollagenSettings
from engine.errors import Defect, FolderError
from engine.maps_settings import MapsSettings
from engine.mechanics import MechanicsSettings, ProbeSettings


class Settings(BaseModel):
    """All settings of an analysis, one table a part."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    mechanics: MechanicsSettings = Field(
        default_factory=MechanicsSettings, description="force curves"
    )
    cells: CellsSettings = Field(default_factory=CellsSettings, description="cells and patterns")
    collagen: CollagenSettings = Field(
        default_factory=CollagenSettings, description="height images of the collagen network"
    )
    maps: MapsSettings = Field(
        default_factory=MapsSettings, description="maps of a site's curves and zero-force heights"
    )
    clips: ClipsSettings = Field(
        default_factory=ClipsSettings, description="clips of a hand-held endoscope"
    )
    use_corrections: bool = Field(
        default=False,
        description="cells added and removed by hand, kept in the store, count in this run",
    )
    landmarks: str = Field(
        default="",
        max_length=64,
        description="name of a set of landmarks kept in the store that this run's frame is fitted "
        "to; empty: the frame as imported",
    )
    seed: int = Field(
        default=20_260_314, ge=0, description="seed of every resampling, so that runs repeat"
    )


def settings_as_toml(settings: Settings) -> str:
    """Write settings as TOML; what is not set is named in comments at the end."""
    values = _without_unset(settings.model_dump(mode="json"))
    return tomli_w.dumps(values) + "\n" + _probe_comments()


def _without_unset(value: Any) -> Any:
    if isinstance(value, dict):
        return {k: _without_unset(v) for k, v in value.items() if v is not None and v != {}}
    return value


def _probe_comments() -> str:
    lines = [
        "What the disc folder says of a probe can be replaced, for one by its name as here, or for",
        "all under [mechanics.every_probe]; none of these is set unless you set it:",
        "[mechanics.probes.NAME]",
    ]
    for name, field in ProbeSettings.model_fields.items():
        lines.append(f"{name} = ...  # {field.description}")
    return "".join(f"# {line}\n" for line in lines)


def settings_of(record: dict[str, Any]) -> Settings:
    """Read the settings that a run kept; names that are no more are passed over.

    Raises
    ------
    pydantic.ValidationError
        If a value can no longer be.
    """
    return Settings.model_validate(_known(record, Settings))


def _known(record: dict[str, Any], model: type[BaseModel]) -> dict[str, Any]:
    found = {}
    for name, value in record.items():
        field = model.model_fields.get(name)
        if field is None:
            continue
        part = field.annotation
        deeper = isinstance(value, dict) and isinstance(part, type) and issubclass(part, BaseModel)
        found[name] = _known(value, part) if deeper else value  # type: ignore[arg-type]
    return found


def read_settings(path: Path) -> Settings:
    """Read settings from a TOML file; what it does not name keeps its default.

    Raises
    ------
    FolderError
        One defect for each key that is unknown or out of range.
    """
    try:
        raw = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        reason = error.strerror or str(error)
        raise FolderError([Defect(str(path), "", reason, "a TOML file of settings")]) from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise FolderError([Defect(str(path), "", str(error), "TOML in UTF-8")]) from error
    try:
        return Settings.model_validate(raw)
    except ValidationError as error:
        defects = [
            Defect(
                str(path),
                ".".join(str(part) for part in problem["loc"]),
                repr(problem["input"]),
                problem["msg"],
            )
            for problem in error.errors()
        ]
        raise FolderError(defects) from error
