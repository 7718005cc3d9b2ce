"""The one way by which anything is written: all of it or nothing, and never over what somebody else made.

A file is written beside its place under another name, brought to the disk, then renamed. A full disk, a folder that
may not be written to, or a computer switched off leaves what was there before; the rest of a run that was cut off is
cleared away by the next one. What was written is noted, name and SHA-256, in `.session-outcomes.json` in the same
folder: `replace=True` writes over a file only where its content is still what is noted there.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import secrets
import shutil
import socket
import time
import zlib
from collections.abc import Callable, Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

from toolkit.errors import WritingError
from toolkit.safe_text import safe_for_spreadsheets

MANIFEST = ".session-outcomes.json"
FORMAT = "written/1"
Make = Callable[[Path], object]
"""Writes one file (or, for a folder, the files in it) at the path it is given."""

_REST = re.compile(
    r"\.session-outcomes\.(?P<host>[0-9a-f]{8})\.(?P<pid>\d{1,10})\.[0-9a-f]{12}(?P<kind>\.part|\.old\.)(?P<name>.*)"
)
_MARK = re.compile(r"(?P<host>[0-9a-f]{8})\.(?P<pid>\d{1,10})")
_A_DAY = 86_400
_MOST_FOREIGN = 50
_SAID_ONCE = "What stands there was not touched."
_of_this_session: dict[Path, str] = {}


def write_file(path: str | Path, make: Make | str | bytes, *, replace: bool = False, noted: bool = True) -> Path:
    """Write one file; see `write_files`."""
    place = Path(path)
    write_files({place: make}, replace=replace, noted=noted)
    return place


def write_files(files: Mapping[Path, Make | str | bytes], *, replace: bool = False, noted: bool = True) -> None:
    """Write several files of one folder, each whole; nothing is renamed before all of them stand on the disk.

    Parameters
    ----------
    files : mapping of path to content
        Text (UTF-8), bytes, or a function that writes the file at the path it is given.
    replace : bool
        Write over a file that the toolkit made itself and that nobody changed since.
    noted : bool
        Note the files' hashes, so that they can be replaced later; a secret is not noted.

    Raises
    ------
    WritingError
        A file is there that the toolkit did not make, the folder is missing, or the disk refuses.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     write_file(f"{folder}/notes.txt", "first").name
    'notes.txt'
    """
    check_free(*files, replace=replace)
    folder = next(iter(files)).parent
    clear_rests(folder)
    unfinished: dict[Path, Path] = {}
    try:
        for place, make in files.items():
            unfinished[place] = _rest_name(folder, ".part", place.suffix)
            _filled(unfinished[place], make)
        hashes = {place: hash_of(fresh) for place, fresh in unfinished.items()}
        if noted:
            _note(folder, {place.name: value for place, value in hashes.items()})
        for place, fresh in unfinished.items():
            _renamed(fresh, place, replace=replace or _is_ours(place))
            _of_this_session[place.resolve()] = hashes[place]
        _to_disk(folder)
    except OSError as fault:
        raise _refused(next(iter(files)).name, fault) from None
    finally:
        for fresh in unfinished.values():
            with suppress(OSError):
                fresh.unlink(missing_ok=True)


def write_folder(path: str | Path, make: Make, *, replace: bool = False) -> Path:
    """Write a whole folder: all of its files or nothing.

    Parameters
    ----------
    path : str or Path
        The folder; made with its parents.
    make : function
        Writes the files into the folder it is given.
    replace : bool
        Take the place of a folder that the toolkit wrote itself and in which nothing was changed or added.

    Raises
    ------
    WritingError
        Something is there that the toolkit did not make, or the disk refuses.
    """
    target = Path(path)
    check_free_folder(target, replace=replace)
    rest = None
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        clear_rests(target.parent)
        rest = _rest_name(target.parent, ".part", "")
        rest.mkdir()
        make(rest)
        _note_all(rest)
        for inner in (item for item in rest.rglob("*") if item.is_file()):
            _to_disk(inner)
        noted = hash_of(rest / MANIFEST)
        if _has_content(target):
            old = _rest_name(target.parent, ".old.", target.name)
            os.rename(target, old)
            try:
                os.rename(rest, target)
            except OSError:
                os.rename(old, target)
                raise
            shutil.rmtree(old, ignore_errors=True)
        else:
            os.rename(rest, target)
        _of_this_session[target.resolve()] = noted
        _to_disk(target.parent)
    except OSError as fault:
        raise _refused(target.name, fault) from None
    finally:
        if rest is not None:
            shutil.rmtree(rest, ignore_errors=True)
    return target


def rewrite_own(path: Path, content: str) -> None:
    """Replace a small file of the toolkit's own (a log, whose content the caller has just read), whole or not at all.

    Raises
    ------
    OSError
        The disk refuses; the old file is unchanged.
    """
    clear_rests(path.parent)
    fresh = _rest_name(path.parent, ".part", path.suffix)
    try:
        _filled(fresh, content)
        os.replace(fresh, path)
        _to_disk(path.parent)
    finally:
        with suppress(OSError):
            fresh.unlink(missing_ok=True)


def check_free(*paths: Path, replace: bool = False) -> None:
    """Refuse files that may not be written; called before a long piece of work as well as before the writing.

    Raises
    ------
    WritingError
        The message says what is there and what to do.
    """
    for place in paths:
        if not place.parent.is_dir():
            raise WritingError(f"{place.name}: there is no folder {place.parent}. Make it first, or choose another.")
        if not os.path.lexists(place) or _is_ours(place):
            continue
        if place.is_symlink() or not place.is_file():
            what = "a link" if place.is_symlink() else "a folder" if place.is_dir() else "no ordinary file"
            raise WritingError(f"{place.name} is {what}. {_SAID_ONCE} Name another file.")
        if not replace:
            raise WritingError(
                f"{place.name} is there already. {_SAID_ONCE} Name another file, or say --replace (replace=True) "
                "where it is an earlier output of this toolkit."
            )
        known = _noted(place.parent).get(place.name, [])
        if hash_of(place) not in known:
            why = "was changed since this toolkit wrote it" if known else "was not written by this toolkit"
            raise WritingError(f"{place.name} {why}. {_SAID_ONCE} Name another file, or move it away first.")


def check_free_folder(target: Path, *, replace: bool = False) -> None:
    """Refuse a folder that may not be written; see `check_free`."""
    if target.is_symlink():
        raise WritingError(f"{target.name} is a link. {_SAID_ONCE} Name another folder.")
    if target.exists() and not target.is_dir():
        raise WritingError(f"{target.name} is a file, not a folder. {_SAID_ONCE} Name a new folder.")
    if not _has_content(target):
        return
    try:
        foreign = _foreign(target)
    except OSError as fault:
        raise WritingError(
            f"The folder {target} cannot be looked through ({fault.strerror}). {_SAID_ONCE} Name a new folder."
        ) from None
    if foreign:
        more = f" and {len(foreign) - 1} more" if len(foreign) > 1 else ""
        more = " and many more" if len(foreign) > _MOST_FOREIGN else more
        raise WritingError(
            f"The folder {target.name or target} holds what this toolkit did not write, or what was changed since "
            f"({foreign[0]}{more}). {_SAID_ONCE} Name a new folder."
        )
    if not replace and _of_this_session.get(target.resolve()) != hash_of(target / MANIFEST):
        raise WritingError(
            f"The folder {target.name} holds an earlier output. {_SAID_ONCE} Name a new folder, or say --replace "
            "(replace=True) to put the new one in its place."
        )


def clear_rests(folder: Path) -> None:
    """Clear away what runs that were cut off left in a folder; a folder they had moved aside is put back."""
    with suppress(OSError):
        for item in sorted(folder.iterdir(), key=lambda one: one.name):
            found = _REST.fullmatch(item.name)
            if found is None or item.is_symlink() or not _is_over(found, item):
                continue
            if found["kind"] == ".old." and not os.path.lexists(folder / found["name"]):
                os.rename(item, folder / found["name"])
            elif item.is_dir():
                shutil.rmtree(item, ignore_errors=True)
            else:
                item.unlink(missing_ok=True)


def own_mark() -> str:
    """What names this run in the name of a file: the computer and the process."""
    return f"{_host()}.{os.getpid()}"


def is_over(item: Path, *, mark: str) -> bool:
    """Whether the run that left a file under its mark is over: its process is gone, or the file is a day old."""
    found = _MARK.fullmatch(mark)
    return found is None or _is_over(found, item)


def hash_of(path: Path) -> str:
    """SHA-256 of a file."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def table_maker(frame: Any) -> Make:
    """How a frame is written as CSV, every text a text."""
    return lambda place: safe_for_spreadsheets(frame).to_csv(place, index=False, encoding="utf-8", lineterminator="\n")


def _filled(fresh: Path, make: Make | str | bytes) -> None:
    """Write one unfinished file and bring it to the disk."""
    if callable(make):
        make(fresh)
    else:
        fresh.write_bytes(make.encode("utf-8") if isinstance(make, str) else make)
    _to_disk(fresh)


def _renamed(fresh: Path, place: Path, *, replace: bool) -> None:
    """Give a finished file its name; without `replace` it never takes the place of another."""
    if replace:
        os.replace(fresh, place)
        return
    try:
        os.link(fresh, place)
    except FileExistsError:
        raise
    except OSError:  # a file system without links
        if os.path.lexists(place):
            raise FileExistsError(17, "it was made by somebody else meanwhile", str(place)) from None
        os.rename(fresh, place)


def _is_ours(place: Path) -> bool:
    """Whether this very session wrote the file, and nobody changed it since."""
    known = _of_this_session.get(place.resolve())
    return known is not None and place.is_file() and not place.is_symlink() and hash_of(place) == known


def _has_content(folder: Path) -> bool:
    return folder.is_dir() and any(folder.iterdir())


def _foreign(folder: Path) -> list[str]:
    """Files in a folder, by their names, that the toolkit did not write there or that were changed since.

    At most a few are looked for, and only what may be ours is read: somebody may name the folder of all her pictures.
    """
    known, found = _noted(folder), list[str]()
    for item in folder.rglob("*"):
        name = item.relative_to(folder).as_posix()
        if name == MANIFEST or (item.is_dir() and not item.is_symlink()):
            continue
        if name not in known or item.is_symlink() or not item.is_file() or hash_of(item) not in known[name]:
            found.append(name)
        if len(found) > _MOST_FOREIGN:
            break
    return sorted(found)


def _noted(folder: Path) -> dict[str, list[str]]:
    """What was written into a folder: name, and the hashes it may have. Nothing where there is no sound note."""
    try:
        held = json.loads((folder / MANIFEST).read_text(encoding="utf-8"))
        if held["format"] != FORMAT:
            return {}
        return {str(name): [str(one) for one in hashes][-2:] for name, hashes in held["files"].items()}
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return {}


def _note(folder: Path, hashes: Mapping[str, str]) -> None:
    """Note files before they get their names, beside their hash until now, so that no moment leaves one unknown."""
    known = _noted(folder)
    for name, value in hashes.items():
        before = known.get(name, [])[-1:]
        known[name] = [*before, value] if before != [value] else before
    there = {name: listed for name, listed in known.items() if name in hashes or (folder / name).is_file()}
    text = json.dumps({"format": FORMAT, "files": dict(sorted(there.items()))}, indent=1)
    rewrite_own(folder / MANIFEST, text + "\n")


def _note_all(folder: Path) -> None:
    """Note every file of a folder."""
    files = [item for item in folder.rglob("*") if item.is_file()]
    hashes = {item.relative_to(folder).as_posix(): [hash_of(item)] for item in files}
    text = json.dumps({"format": FORMAT, "files": dict(sorted(hashes.items()))}, indent=1)
    (folder / MANIFEST).write_text(text + "\n", encoding="utf-8")


def _host() -> str:
    return f"{zlib.crc32(socket.gethostname().encode()):08x}"


def _rest_name(folder: Path, kind: str, name: str) -> Path:
    """A name for what is not finished: whose it is can be read from it."""
    return folder / f".session-outcomes.{_host()}.{os.getpid()}.{secrets.token_hex(6)}{kind}{name}"


def _is_over(found: re.Match[str], item: Path) -> bool:
    """Whether the run that made a rest is over: its process is gone, or the rest is a day old."""
    if time.time() - item.lstat().st_mtime > _A_DAY:
        return True
    if found["host"] != _host() or os.name != "posix" or int(found["pid"]) == os.getpid():
        return False
    try:
        os.kill(int(found["pid"]), 0)
    except ProcessLookupError:
        return True
    except (OSError, OverflowError):
        return False
    return False


def _to_disk(path: Path) -> None:
    """Bring a file, or the names of a folder, to the disk; systems that cannot do this for a folder are let be."""
    if path.is_dir():
        if os.name == "posix":
            with suppress(OSError):
                handle = os.open(path, os.O_RDONLY)
                try:
                    os.fsync(handle)
                finally:
                    os.close(handle)
        return
    with path.open("rb+") as file:
        os.fsync(file.fileno())


def _refused(name: str, fault: OSError) -> WritingError:
    """The error for a disk that refuses; it is raised after everything unfinished was cleared away."""
    why = fault.strerror or str(fault)
    return WritingError(
        f"{name} was not written ({why}). What was there before is unchanged. Free some space, close the file where it "
        "is open, or choose a folder that you may write to."
    )
