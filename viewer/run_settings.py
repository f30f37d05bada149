"""With which settings and assumptions about a probe a run's force curves were fitted."""

from __future__ import annotations

from pydantic import ValidationError

from engine.assumptions import Assumptions, assumptions
from engine.mechanics import MechanicsSettings
from viewer.library import Library


def mechanics_of(library: Library, disc: str, run: str) -> MechanicsSettings:
    """Give the settings for force curves with which a run was made; the defaults without a run.

    A run of another version may name settings that are gone: those are left out, and what cannot be
    read at all gets its default.
    """

    def read() -> MechanicsSettings:
        found = library.store(disc).run_info(run)["settings"].get("mechanics", {})
        known = {k: v for k, v in found.items() if k in MechanicsSettings.model_fields}
        try:
            return MechanicsSettings.model_validate(known)
        except ValidationError:
            return MechanicsSettings()

    return library.kept(("mechanics settings", disc, run), read) if run else MechanicsSettings()


def assumed_of(library: Library, disc: str, run: str, probe: str) -> Assumptions:
    """Tell what a run assumed of a probe and of the tissue under it."""
    info = library.store(disc).info
    found, sample = info["probes"][probe], info["sample"]
    try:
        return assumptions(found, sample, mechanics_of(library, disc, run), probe)
    except ValueError:  # the folder was imported anew, and its probe is another
        return assumptions(found, sample, MechanicsSettings(), probe)
