"""Kill a command with signal 9 at many moments: run as a program of its own, which loads everything once and forks.

    python -m tests.safety.killed COMMAND MOMENTS FOLDER
    python -m tests.safety.killed COMMAND read-only FOLDER

It prints the moments at which something was lost or half written; nothing where all is well. `read-only`: the command
runs as a user who may read the folder and not write to it.
"""

from __future__ import annotations

import os
import shutil
import signal
import sys
import time
from pathlib import Path

from tests.safety.commands_that_write import COMMANDS, Writes, lost, prepare
from toolkit import __main__ as entry
from toolkit import writing

NOBODY = 65_534
"""A user without rights, where the tests run as one who may write everywhere."""


def run_once(
    words: tuple[str, ...], *, kill_after: float | None = None, told: Path | None = None, user: int = 0
) -> tuple[int, float]:
    """(status, seconds) of a command in a child process; killed after a time, its words kept, as another user."""
    began = time.monotonic()
    child = os.fork()
    if child == 0:
        quiet = os.open(told or os.devnull, os.O_WRONLY | os.O_CREAT)
        os.dup2(quiet, 1)
        os.dup2(quiet, 2)
        if user:
            os.setuid(user)
        os._exit(entry.run(list(words)))
    if kill_after is not None:
        time.sleep(kill_after)
        os.kill(child, signal.SIGKILL)
    _, status = os.waitpid(child, 0)
    return status, time.monotonic() - began


def half_written(command: Writes) -> list[str]:
    """What stands there and is neither an earlier nor a new output, whole."""
    found = []
    for name in command.targets:
        place = Path(name)
        writing.clear_rests(place.parent)
        if place.is_dir():
            found += [f"{name}/{inner}" for inner in writing._foreign(place)]
        elif place.exists() and place.suffix == ".json" and not command.replaces:
            found += [] if place.read_text(encoding="utf-8").rstrip().endswith("}") else [name]
        elif place.exists():
            found += [] if writing.hash_of(place) in writing._noted(place.parent).get(place.name, []) else [name]
        elif command.replaces:
            found.append(f"{name} is gone")
    return found


def rests(folder: Path) -> list[str]:
    return [item.name for item in folder.rglob(".session-outcomes.*") if item.name != writing.MANIFEST]


def read_only(name: str, folder: Path) -> list[str]:
    """What a command did in a folder that it may only read, or did not say."""
    for place in (folder / "loaded", folder / "locked"):  # the other user may not be able to load what runs here
        place.mkdir()
        os.chdir(place)
        prepare(place)
        if place.name == "loaded":
            entry.run(list(COMMANDS[name].words))
    writing._of_this_session.clear()
    folder, user = folder / "locked", os.getuid() or NOBODY
    for key in (folder / "safe").iterdir():
        os.chown(key, user, -1)
    before = everything(folder)
    for place in (folder, folder / "work", folder / "safe"):
        place.chmod(0o555)
    said = folder.parent / f"{folder.name}.said"
    status, _ = run_once(COMMANDS[name].words, told=said, user=user)
    for place in (folder, folder / "work", folder / "safe"):
        place.chmod(0o755)
    words = " ".join(said.read_text(encoding="utf-8").split())
    faults = [] if os.waitstatus_to_exitcode(status) == 2 else [f"status {status}"]
    faults += [] if "Permission denied" in words else [f"it said: {words}"]
    faults += [words] if "Traceback" in words or "fault of the toolkit" in words else []
    return faults + sorted(before ^ everything(folder))


def everything(folder: Path) -> set[str]:
    """The files and folders there are, with the files' hashes."""
    return {f"{item} {writing.hash_of(item) if item.is_file() else ''}" for item in folder.rglob("*")}


def killed_stores(moments: int, folder: Path) -> list[str]:
    """A store into a registry, killed: what was stored before answers, nothing half-stored, the next run clears up."""
    from toolkit.registering.layout import exports_in
    from toolkit.registering.readable import readable
    from toolkit.registering.registry import parts_of

    os.chdir(folder)
    prepare(folder)
    writing._of_this_session.clear()
    store = ("registry", "work/clinics", "--store", "work/{}.csv", "--site")
    faults, template = [], Path("template")
    for name, site in (("two", "south"), ("year", "north")):  # the second tells how long a store takes
        status, took = run_once((*(word.format(name) for word in store), site))
        if status != 0:
            return [f"{site} was not stored: status {status}"]
        if site == "south":
            shutil.copytree("work/clinics", template)
    north = (*(word.format("year") for word in store), "north")
    for moment in range(moments):
        shutil.rmtree("work/clinics")
        shutil.copytree(template, "work/clinics")
        run_once(north, kill_after=took * (moment + 0.5) / moments)
        exports = exports_in(Path("work/clinics"))
        found = readable(parts_of(exports))
        sites = {site for one in exports for site in one.sites}
        if len(found.left_out) or "south" not in sites or lost(folder):
            faults.append(f"moment {moment}: {sites}, {found.sentence()} {lost(folder)}")
        status, _ = run_once(north)
        clinics = Path("work/clinics").resolve()
        named = {part.path.resolve() for part in parts_of(exports_in(clinics))}
        more = sorted(str(one) for one in clinics.rglob("readings/**/*.parquet") if one.resolve() not in named)
        if status != 0 or more or rests(folder) or [*clinics.glob("exports/.*")]:
            faults.append(f"moment {moment}: the next run: status {status}, {more}, rests {rests(folder)}")
    return faults


def main(name: str, moments: int, folder: Path) -> list[str]:
    """Everything that went wrong."""
    os.chdir(folder)
    prepare(folder)
    writing._of_this_session.clear()
    command, faults = COMMANDS[name], []
    words = (*command.words, *(["--replace"] if command.replaces else []))
    status, took = run_once(words)  # the first run: an earlier output, and how long it takes
    if status != 0:
        return [f"{name} did not run: status {status}"]
    for moment in range(moments):
        if not command.replaces:
            for target in command.targets:
                Path(target).unlink(missing_ok=True)
        run_once(words, kill_after=took * (moment + 0.5) / moments)
        faults += [f"moment {moment}: {fault}" for fault in (*half_written(command), *lost(folder))]
    for target in command.targets if not command.replaces else ():
        Path(target).unlink(missing_ok=True)
    status, _ = run_once(words)
    if status != 0 or rests(folder):
        faults.append(f"the next run: status {status}, rests {rests(folder)}")
    return faults + lost(folder)


if __name__ == "__main__":
    place = Path(sys.argv[3])
    shutil.rmtree(place, ignore_errors=True)
    place.mkdir(parents=True)
    if sys.argv[1] == "registry":
        said = killed_stores(int(sys.argv[2]), place.resolve())
    elif sys.argv[2] == "read-only":
        said = read_only(sys.argv[1], place.resolve())
    else:
        said = main(sys.argv[1], int(sys.argv[2]), place.resolve())
    sys.stdout.write("\n".join(said))
    sys.exit(1 if said else 0)
