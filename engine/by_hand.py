"""What people changed by hand, as an analysis takes it: cell corrections, landmarks, its record."""

import dataclasses
import hashlib
from pathlib import Path
from typing import Any

from engine.errors import Caution
from engine.intake.landmarks import frame_words
from engine.settings import Settings
from engine.store import DiscStore
from engine.store.corrections import corrections_of, digest_of
from engine.store.landmark_sets import read_landmark_set
from engine.store.plain import plain


def marks(store: Path, settings: Settings) -> dict[str, str]:
    """Digests of what was changed by hand and counts in a run; empty where nothing does.

    Raises
    ------
    SplendensError
        If what the settings ask for is not there or can't be read.
    """
    found = {}
    if settings.use_corrections:
        found["corrections"] = digest_of(corrections_of(store))
    if settings.landmarks:
        text = read_landmark_set(store, settings.landmarks)
        found["landmarks"] = hashlib.sha256(f"{text.method}\n{text.csv()}".encode()).hexdigest()
    return found


def reframed(store: DiscStore, settings: Settings) -> DiscStore:
    """Return the store with the frame the settings ask for; itself for the imported one."""
    if not settings.landmarks:
        return store
    frame = read_landmark_set(store.path, settings.landmarks).frame()
    cautions = tuple(Caution("", name, frame_words(frame, name)) for name in frame.flags)
    return store.with_frame(frame, cautions)


def frame_record(store: DiscStore, settings: Settings) -> dict[str, Any]:
    """Give what a run keeps of a frame of its own; empty for the imported one."""
    if not settings.landmarks:
        return {}
    other = reframed(store, settings)
    record = {k: plain(v) for k, v in dataclasses.asdict(other.frame).items()}
    record["cautions"] = [dataclasses.asdict(c) for c in other.cautions if not c.site]
    return {"frame": record, "landmarks": settings.landmarks}


def corrections_record(store: Path, settings: Settings) -> dict[str, Any]:
    """Give what a run keeps of the corrections it was made with; empty without any."""
    if not settings.use_corrections:
        return {}
    standing = [dataclasses.asdict(c) for c in corrections_of(store) if c.stands]
    return {"corrections": standing}
