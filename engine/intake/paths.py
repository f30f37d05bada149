"""Paths in a disc folder: relative, with ``/``, and never leading out of it."""

import os
from collections.abc import Iterator
from pathlib import Path, PurePosixPath, PureWindowsPath

from engine.intake.report import Refused, shown

_EXPECTED = "a path relative to the disc folder, with '/', that stays inside it"


def check_text(place: str, text: str) -> PurePosixPath:
    """Check a path as written, before anything on disk is touched.

    Parameters
    ----------
    place
        Where it is written, for the message.
    text
        The path.

    Raises
    ------
    Refused
        If it is absolute, holds ``..``, a backslash, a drive or a control character.
    """
    if any(ord(letter) < 32 or ord(letter) == 127 for letter in text):
        raise Refused(place, f"a control character in {shown(text)}", _EXPECTED)
    if "\\" in text:
        raise Refused(place, f"a backslash in {shown(text)}", _EXPECTED)
    path = PurePosixPath(text)
    if path.is_absolute() or PureWindowsPath(text).drive:
        raise Refused(place, f"the absolute path {shown(text)}", _EXPECTED)
    if ".." in path.parts:
        raise Refused(place, f"{shown(text)}, which climbs with '..'", _EXPECTED)
    if not path.parts:
        raise Refused(place, f"{shown(text)}, which names no file", _EXPECTED)
    return path


def inside(root: Path, place: str, text: str, *, folder: bool = False) -> Path:
    """Resolve a path of the folder and make sure that it is there and stays inside.

    Parameters
    ----------
    root
        The disc folder.
    place
        Where the path is written, for the message.
    text
        The path as written.
    folder
        Whether a folder is meant instead of a file.

    Raises
    ------
    Refused
        If it leaves the folder, by its text or by a link, or is not there.
    """
    path = root / check_text(place, text)
    try:
        real = path.resolve(strict=True)
    except FileNotFoundError:
        raise Refused(place, f"{shown(text)}, which is not there", "an existing file") from None
    except (OSError, RuntimeError) as error:
        raise Refused(
            place, f"{shown(text)}, which cannot be reached ({error})", _EXPECTED
        ) from None
    if not real.is_relative_to(root.resolve()):
        raise Refused(place, f"{shown(text)}, a link that leads out of the folder", _EXPECTED)
    if folder and not real.is_dir():
        raise Refused(place, f"{shown(text)}, which is no folder", "a folder")
    if not folder and not real.is_file():
        raise Refused(place, f"{shown(text)}, which is no regular file", "a regular file")
    return path


def links_out(folder: Path, root: Path) -> Iterator[str]:
    """Yield paths, relative to ``folder``, of links in it that lead out of ``root``."""
    home = root.resolve()
    for where, folders, files in os.walk(folder):
        for name in folders + files:
            path = Path(where) / name
            if path.is_symlink() and not path.resolve().is_relative_to(home):
                yield path.relative_to(folder).as_posix()
