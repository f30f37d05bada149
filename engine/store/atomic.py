"""Writing aside and moving into place, so that a reader sees the old or the new, never a mix."""

import ctypes
import json
import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from uuid import uuid4

_AT_FDCWD = -100
_RENAME_EXCHANGE = 2
_STAGING = ".tmp-"
_RETIRED = ".old-"


def sync_folder(path: Path) -> None:
    """Ask the system to put a folder's entries on the disk."""
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def write_text_whole(path: Path, text: str) -> None:
    """Write a text file so that it is seen either as it was or whole."""
    aside = path.with_name(f"{_STAGING}{path.name}-{uuid4().hex[:8]}")
    with aside.open("w", encoding="utf-8") as stream:
        stream.write(text)
        stream.flush()
        os.fsync(stream.fileno())
    aside.replace(path)
    sync_folder(path.parent)


def update_attributes(group: Path, changes: dict[str, Any]) -> None:
    """Change attributes of a Zarr v3 group in one step.

    Parameters
    ----------
    group
        Folder of the group; its ``zarr.json`` is replaced whole.
    changes
        Attributes to set.
    """
    path = group / "zarr.json"
    node = json.loads(path.read_text(encoding="utf-8"))
    node.setdefault("attributes", {}).update(changes)
    write_text_whole(path, json.dumps(node, indent=1))


def _exchange(a: Path, b: Path) -> bool:
    """Swap two folders atomically where the system can; say whether it did."""
    try:
        rename = ctypes.CDLL(None, use_errno=True).renameat2
    except (OSError, AttributeError):
        return False
    return bool(rename(_AT_FDCWD, os.fsencode(a), _AT_FDCWD, os.fsencode(b), _RENAME_EXCHANGE) == 0)


def move_into_place(staged: Path, final: Path) -> None:
    """Put a finished folder where it belongs, replacing what stands there.

    Where the system can swap two names at once, no reader ever finds the name empty;
    elsewhere the old folder is renamed first and :func:`sweep` restores it after a crash.
    """
    if not final.exists():
        staged.rename(final)
    elif _exchange(staged, final):
        shutil.rmtree(staged)
    else:
        retired = final.with_name(f"{_RETIRED}{final.name}")
        final.rename(retired)
        staged.rename(final)
        shutil.rmtree(retired)
    sync_folder(final.parent)


def sweep(final: Path) -> None:
    """Clear what an interrupted write left beside ``final``, restoring a retired folder."""
    retired = final.with_name(f"{_RETIRED}{final.name}")
    if retired.exists():
        if final.exists():
            shutil.rmtree(retired)
        else:
            retired.rename(final)
    if final.parent.is_dir():
        for left in final.parent.glob(f"{_STAGING}{final.name}-*"):
            if left.is_dir() and not _owner_lives(left):
                shutil.rmtree(left, ignore_errors=True)


def _owner_lives(staged: Path) -> bool:
    """Whether the process whose number the staging folder carries is still running."""
    number = staged.name.rsplit("-", 2)[-2]
    if not number.isdigit():
        return False
    try:
        os.kill(int(number), 0)
    except ProcessLookupError:
        return False
    except PermissionError:
        return True
    return True


@contextmanager
def staged_folder(final: Path) -> Iterator[Path]:
    """Give a folder to write in; moved to ``final`` on success, removed on failure.

    Parameters
    ----------
    final
        Where the finished folder belongs; its parent is made if missing.

    Yields
    ------
    Path
        An empty folder beside ``final``.
    """
    final.parent.mkdir(parents=True, exist_ok=True)
    sweep(final)
    staged = final.with_name(f"{_STAGING}{final.name}-{os.getpid()}-{uuid4().hex[:8]}")
    staged.mkdir()
    try:
        yield staged
        move_into_place(staged, final)
    except BaseException:
        shutil.rmtree(staged, ignore_errors=True)
        raise
