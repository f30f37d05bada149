"""What people add to a store: regions, notes, stops; plain JSON documents under ``saved/``."""

import json
import re
from pathlib import Path
from typing import Any

from engine.errors import SplendensError
from engine.store.atomic import write_text_whole

_NAME = re.compile(r"[A-Za-z0-9._-]{1,64}")


def _path(store: Path, kind: str, name: str) -> Path:
    for text in (kind, name):
        if not _NAME.fullmatch(text) or text.startswith("."):
            raise SplendensError(f"name: found {text!r}; expected 1 to 64 of A-Z a-z 0-9 . _ -")
    return store / "saved" / kind / f"{name}.json"


def save_document(store: Path, kind: str, name: str, document: dict[str, Any]) -> Path:
    """Write one document whole.

    Parameters
    ----------
    store
        The store's folder.
    kind
        What it is: ``regions``, ``notes``, …
    name
        Its name.
    document
        Anything JSON can hold.

    Raises
    ------
    SplendensError
        If ``kind`` or ``name`` has other letters than a site's name may have.
    """
    path = _path(store, kind, name)
    path.parent.mkdir(parents=True, exist_ok=True)
    write_text_whole(path, json.dumps(document, indent=1, ensure_ascii=False))
    return path


def saved_documents(store: Path, kind: str) -> dict[str, dict[str, Any]]:
    """All documents of a kind by name; one that can't be read is left out."""
    found = {}
    for path in sorted((store / "saved" / kind).glob("*.json")):
        if path.name.startswith("."):
            continue
        try:
            found[path.stem] = json.loads(path.read_text(encoding="utf-8"))
        except ValueError:
            continue
    return found


def forget_document(store: Path, kind: str, name: str) -> None:
    """Remove one document; nothing happens where there is none."""
    _path(store, kind, name).unlink(missing_ok=True)
