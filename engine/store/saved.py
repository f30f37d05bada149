"""What people add to a store: regions, notes, stops; plain JSON documents under ``saved/``.

Nothing is lost: what is replaced or forgotten goes to ``saved/<kind>/.earlier/``, with who and
when.
"""

import json
import re
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from threading import Lock
from typing import Any

from engine.errors import SplendensError
from engine.store.atomic import write_text_whole

UNNAMED = "not named"
"""Stands where whoever saved or forgot something gave no name."""
_NAME = re.compile(r"[A-Za-z0-9._-]{1,64}")
_EARLIER = ".earlier"
_writing = Lock()

try:
    import fcntl
except ImportError:  # where the system has no such locks one process at a time is on its own
    fcntl = None  # type: ignore[assignment]


def _path(store: Path, kind: str, name: str) -> Path:
    for text in (kind, name):
        if not _NAME.fullmatch(text) or text.startswith("."):
            raise SplendensError(f"name: found {text!r}; expected 1 to 64 of A-Z a-z 0-9 . _ -")
    return store / "saved" / kind / f"{name}.json"


@contextmanager
def alone(store: Path, kind: str) -> Iterator[None]:
    """Keep everybody else, in this process and others, from changing documents of a kind.

    Whoever reads, decides and writes does so inside, so that no other's change is lost between.
    """
    folder = store / "saved" / kind
    folder.mkdir(parents=True, exist_ok=True)
    with _writing, (folder / ".lock").open("a", encoding="utf-8") as handle:
        if fcntl is not None:
            fcntl.flock(handle, fcntl.LOCK_EX)  # let go of when the file is closed
        yield


def save_document(
    store: Path,
    kind: str,
    name: str,
    document: dict[str, Any],
    who: str = "",
    keep_earlier: bool = True,
) -> Path:
    """Write one document whole; ``saved`` in it says who saved it and when.

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
    who
        The person's name, as they gave it.
    keep_earlier
        Whether what is replaced is kept; a log that only grows need not be.

    Raises
    ------
    SplendensError
        If ``kind`` or ``name`` has other letters than a site's name may have.
    """
    path = _path(store, kind, name)
    path.parent.mkdir(parents=True, exist_ok=True)
    if keep_earlier:
        _set_aside(path, "replaced", who)
    body = {**document, "saved": _who_and_when(who)}
    write_text_whole(path, json.dumps(body, indent=1, ensure_ascii=False))
    return path


def read_document(store: Path, kind: str, name: str) -> dict[str, Any] | None:
    """Read one document; None where there is none.

    Raises
    ------
    SplendensError
        If it is there and can't be read: better no answer than one without it.
    """
    path = _path(store, kind, name)
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        return None
    except (OSError, ValueError) as error:
        raise SplendensError(f"{path}: found no JSON that can be read ({error})") from error
    if not isinstance(found, dict):
        raise SplendensError(f"{path}: found {type(found).__name__}; expected a JSON object")
    return found


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


def forget_document(store: Path, kind: str, name: str, who: str = "") -> None:
    """Put one document out of sight; nothing happens where there is none."""
    path = _path(store, kind, name)
    _set_aside(path, "forgotten", who)
    path.unlink(missing_ok=True)


def _who_and_when(who: str) -> dict[str, str]:
    when = datetime.now(UTC).isoformat(timespec="seconds")
    return {"who": " ".join(who.split()) or UNNAMED, "when": when}


def _set_aside(path: Path, why: str, who: str) -> None:
    """Keep a copy of what stands, with why and by whom it went."""
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        return
    folder = path.parent / _EARLIER
    folder.mkdir(exist_ok=True)
    number = 1 + len(list(folder.glob(f"{path.stem}~*.json")))
    record = {why: _who_and_when(who), "text": text}
    target = folder / f"{path.stem}~{number:04d}.json"
    write_text_whole(target, json.dumps(record, indent=1, ensure_ascii=False))
