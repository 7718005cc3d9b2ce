"""Set up the toolkit in this folder, then run one of its commands. Needs Python 3.11 or newer, nothing else.

    python3 start.py audit                     audit the demo clinic
    python3 start.py audit YEAR.xlsx           audit your own records
    python3 start.py registry FOLDER           records of many clinics in one place, by an engine (fetched when asked)
    python3 start.py lab                       open the notebooks
    python3 start.py test [--fast]             check the toolkit itself (--fast: no browser, no notebooks)
    python3 start.py commands                  every command there is
    python3 start.py COMMAND --help            what a command takes

The first run fetches the libraries named in requirements.lock into the folder .venv (about 160 MB to fetch, 800 MB
on disk), each checked against the hash written there. Later runs start at once.
"""

import hashlib
import importlib.util
import json
import os
import re
import shutil
import subprocess
import sys
import tempfile
import time
import venv
from pathlib import Path

PYTHON = f"{sys.version_info[0]}.{sys.version_info[1]}"
if sys.version_info < (3, 11):  # this file itself must be readable by Python 3.6, to say so
    newer = [name for name in ("python3.13", "python3.12", "python3.11") if shutil.which(name)]
    print(f"This is Python {PYTHON}; the toolkit needs Python 3.11 or newer.", file=sys.stderr)
    if newer:
        print(f"This computer has one. Run:  {newer[0]} start.py {' '.join(sys.argv[1:])}", file=sys.stderr)
    else:
        print("Install Python 3.11, 3.12 or 3.13, then run the same command with it.", file=sys.stderr)
    sys.exit(2)

ROOT = Path(__file__).resolve().parent
RUN_LOCK, REGISTRY_LOCK, TEST_LOCK = "requirements.lock", "requirements-registry.lock", "requirements-test.lock"
BUILT_HERE = "--no-binary=pyspark"  # of all that the tests need, the one that is not offered ready-made
STAMP = "installed.json"  # in .venv: what a finished install holds
SPACE_NEEDED = 1_500_000_000  # bytes: the libraries unpacked, and what pip keeps meanwhile

CHECKS = (
    ("ruff check", ("-m", "ruff", "check", ".")),
    ("ruff format", ("-m", "ruff", "format", "--check", ".")),
    (
        "imports downhill",
        ("-c", "from importlinter.cli import lint_imports_command as c; c()", "--no-logo", "--no-cache"),
    ),
    ("mypy --strict", ("-m", "mypy")),
)

BROWSER_NAMES = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "chrome", "microsoft-edge")
BROWSER_PLACES = (
    "/Applications/Chromium.app/Contents/MacOS/Chromium",
    "/Applications/Google Chrome.app/Contents/MacOS/Google Chrome",
    "/Applications/Microsoft Edge.app/Contents/MacOS/Microsoft Edge",
    "C:/Program Files/Google/Chrome/Application/chrome.exe",
    "C:/Program Files (x86)/Microsoft/Edge/Application/msedge.exe",
)

# What pip says when it fails, and what it means to the person who reads it. The first that fits is told.
TROUBLES = (
    (
        r"DO NOT MATCH THE HASHES|Hashes are required|Expected sha256",
        "A fetched file does not match the lock: it is not the file that {lock} was written for.\n"
        "Nothing of it was installed. Run the command again; if it says the same, the place your Python fetches from "
        "serves changed files: report it, and do not work around it.",
    ),
    (
        r"Errno 28\]|No space left|WinError 112\]|Errno 122\]",
        "The disk is full. Free about 1.5 GB, then run the same command again.",
    ),
    (
        r"Errno 30\]|Read-only file system|Errno 13\]|WinError 5\]|Permission denied",
        "This folder cannot be written. Copy the whole folder to a place of your own (such as your home folder), and "
        "run the command there. On Windows, close running notebooks first.",
    ),
    (
        r"NewConnectionError|NameResolutionError|Connect(ion|Timeout)?Error|ReadTimeoutError|Max retries exceeded|"
        r"name resolution|getaddrinfo failed|ProxyError|SSLError|Network is unreachable|Connection (refused|reset)|"
        r"Connection broken|RemoteDisconnected|timed out|HTTP error",
        "The libraries could not be fetched: there is no network, or a proxy or firewall is in the way.\n"
        "The first run needs the network once. Run the same command again when it is there.",
    ),
    (
        r"No matching distribution|Could not find a version",
        "For this computer and Python {python} one of the libraries is not offered ready-made.\n"
        "Use Python 3.11, 3.12 or 3.13 (64 bit) and run the same command with it.",
    ),
)


class SetupError(Exception):
    """The toolkit cannot be set up; the message says what is wrong and what to do."""


def say(text: str) -> None:
    """Tell the person at the keyboard how the set-up goes, apart from a command's own output."""
    print(text, file=sys.stderr, flush=True)


# --- what is installed ------------------------------------------------------------------------------------------


def venv_python(root: Path) -> Path:
    """The Python inside `.venv`."""
    return root / ".venv" / ("Scripts/python.exe" if os.name == "nt" else "bin/python")


def stamp_for(root: Path, locks: tuple[str, ...]) -> dict[str, str]:
    """What must be installed: this Python, and each lock file by its hash."""
    stamp = {"python": PYTHON}
    for lock in locks:
        stamp[lock] = hashlib.sha256((root / lock).read_bytes()).hexdigest()
    return stamp


def stamp_found(root: Path) -> dict[str, str]:
    """What `.venv` says is installed; empty when there is none, or its install did not end."""
    if not venv_python(root).exists():
        return {}
    try:
        stamp = json.loads((root / ".venv" / STAMP).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return stamp if isinstance(stamp, dict) else {}


def set_up(root: Path, locks: tuple[str, ...]) -> None:
    """Make `.venv` hold exactly what `locks` name. Does nothing when it does already.

    The stamp goes first and comes back last: whatever interrupts an install, the next run builds anew.
    """
    wanted, found = stamp_for(root, locks), stamp_found(root)
    if wanted.items() <= found.items():
        return
    stamp = root / ".venv" / STAMP
    try:
        stamp.unlink(missing_ok=True)
        if not found or not found.items() <= wanted.items():
            make_venv(root)
        install(root, locks[-1])  # each lock holds all of the one before it
        stamp.write_text(json.dumps(wanted), encoding="utf-8")
    except OSError as error:
        raise SetupError(trouble(str(error), lock=locks[-1])) from error
    say("Ready.")


def make_venv(root: Path) -> None:
    """A new, empty `.venv`, in place of any that is there."""
    if importlib.util.find_spec("ensurepip") is None:
        raise SetupError(
            "This Python comes without the parts that make a virtual environment.\n"
            "On Debian or Ubuntu: sudo apt install python3-venv. Then run the same command again."
        )
    for folder in {root, Path(tempfile.gettempdir())}:
        free = shutil.disk_usage(folder).free
        if free < SPACE_NEEDED:
            raise SetupError(
                f"The disk is nearly full: {free / 1e9:.1f} GB are free at {folder}, "
                f"{SPACE_NEEDED / 1e9:.1f} GB are needed. Free some, then run the same command again."
            )
    say("Setting up in the folder .venv (the first time, and when the lock has changed; takes a minute or two) …")
    old = root / ".venv"
    if old.exists():
        shutil.rmtree(old)
    try:
        venv.create(old, with_pip=True, symlinks=os.name != "nt")
    except subprocess.CalledProcessError as error:
        raise SetupError(f"The virtual environment could not be made: {error}") from error


def install(root: Path, lock: str) -> None:
    """Install what `lock` names with pip, every file checked against its hash, showing how far it is."""
    command = [
        *(str(venv_python(root)), "-m", "pip", "install", "--require-hashes", "--only-binary=:all:", "--no-deps"),
        *("--no-input", "--disable-pip-version-check", "--progress-bar=off", "-r", lock),
        *((BUILT_HERE,) if lock == TEST_LOCK else ()),
    ]
    total = len(re.findall(r"^\S+==", (root / lock).read_text(encoding="utf-8"), re.MULTILINE))
    log: list[str] = []
    with subprocess.Popen(
        command,
        cwd=root,
        env=clean_environment(root),
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        encoding="utf-8",
        errors="replace",
    ) as pip:
        for line in pip.stdout or ():
            log.append(line)
            show_progress(line, done=sum(map(is_progress, log)), total=total)
    if sys.stderr.isatty():
        say("")
    if pip.returncode != 0:
        raise SetupError(trouble("".join(log), lock=lock))


def is_progress(line: str) -> bool:
    """Whether pip has dealt with one more line of the lock."""
    return line.startswith(("Collecting ", "Processing ", "Ignoring ", "Requirement already"))


def show_progress(line: str, done: int, total: int) -> None:
    """How far the install is: one moving line on a terminal, a line now and then in a log."""
    if line.startswith("Installing collected"):
        text = f"  fetched and checked {total} of {total}; unpacking …"
    elif is_progress(line) and (sys.stderr.isatty() or done % 25 == 0):
        name = re.split(r"[=:]|-\d", Path(line.replace("already satisfied:", "").split()[1]).name)[0]
        text = f"  fetching and checking {done} of {total}: {name}"
    else:
        return
    print(text.ljust(78), end="\r" if sys.stderr.isatty() else "\n", file=sys.stderr, flush=True)


def trouble(log: str, lock: str) -> str:
    """What went wrong in plain words, from what pip or the system said, and its last words below."""
    last = "\n".join("    " + line.strip()[:200] for line in log.strip().splitlines()[-4:])
    for pattern, meaning in TROUBLES:
        if re.search(pattern, log):
            return meaning.format(lock=lock, python=PYTHON) + "\nThe last words were:\n" + last
    return "The libraries could not be installed, for a reason this script does not know. The last words were:\n" + last


def clean_environment(root: Path) -> dict[str, str]:
    """The environment with nothing of another Python in it; the toolkit can be imported from every folder."""
    mislead = {"PYTHONHOME", "PYTHONSTARTUP", "PIP_TARGET", "PIP_PREFIX", "PIP_USER", "__PYVENV_LAUNCHER__"}
    kept = {name: value for name, value in os.environ.items() if name not in mislead}
    typed = "python start.py" if os.name == "nt" else "python3 start.py"
    return {**kept, "PYTHONPATH": str(root), "PYTHONUTF8": "1", "SESSION_OUTCOMES_TYPED": typed}


# --- the toolkit's own checks -----------------------------------------------------------------------------------


def find_browser() -> str | None:
    """A Chromium-like browser: the one named by CHROMIUM_PATH, else one from the usual places."""
    named = os.environ.get("CHROMIUM_PATH")
    places = [named] if named else [*map(shutil.which, BROWSER_NAMES), *BROWSER_PLACES]
    return next((place for place in places if place and Path(place).exists()), None)


def find_java() -> str | None:
    """The Java that Spark runs in: the one of JAVA_HOME, else the one on the path; it must start."""
    home = os.environ.get("JAVA_HOME")
    place = str(Path(home) / "bin" / ("java.exe" if os.name == "nt" else "java")) if home else shutil.which("java")
    if not place or not Path(place).exists():
        return None
    runs = subprocess.run([place, "-version"], capture_output=True, check=False).returncode == 0
    return place if runs else None


def install_from_debian(packages: tuple[str, ...], what: str) -> None:
    """Install packages of Debian where that can be done without asking (as root, with apt-get)."""
    if os.name == "nt" or os.geteuid() != 0 or not shutil.which("apt-get"):
        return
    say(f"Installing {what} …")
    quiet = {**os.environ, "DEBIAN_FRONTEND": "noninteractive"}
    apt = ("apt-get", "-q", "-o", "DPkg::Lock::Timeout=120")
    for step in (["update"], ["install", "-y", "--no-install-recommends", *packages]):
        done = subprocess.run([*apt, *step], env=quiet, capture_output=True, text=True, check=False)
        if done.returncode != 0:
            say(f"apt-get {step[0]} failed:\n{done.stdout[-500:]}{done.stderr[-500:]}")


def run_tests(root: Path, asked: list[str]) -> int:
    """Lint, format, import rule and types (side by side), then the tests. 0 if all passed."""
    started = time.monotonic()
    environment = clean_environment(root)
    if "--fast" in asked:
        asked = ["-m", "not browser and not notebook", *(word for word in asked if word != "--fast")]
    else:
        if not find_browser():
            install_from_debian(("chromium", "fonts-liberation"), "Chromium for the browser tests")
        if not find_java():
            install_from_debian(("default-jre-headless",), "Java for the tests of a registry on Spark")
        browser = find_browser()
        say(
            f"Browser: {browser}"
            if browser
            else "Browser: none found; tests in a browser are left out (in CI they fail)."
        )
        environment.update({"CHROMIUM_PATH": browser} if browser else {})
        if not find_java():
            say("Java: none found; tests of a registry on Spark are left out (in CI they fail).")
    failed = run_checks(root, environment)
    say(f"{time.monotonic() - started:.1f} s so far. Now the tests:")
    pytest = [str(venv_python(root)), "-m", "pytest", "-n", "2", "--dist", "loadgroup", *asked]
    status = subprocess.run(pytest, cwd=root, env=environment, check=False).returncode
    if failed:
        print("FAILED before the tests: " + ", ".join(failed) + " (see above)", flush=True)
    return status or len(failed)


def run_checks(root: Path, environment: dict[str, str]) -> list[str]:
    """Run the checks that need no test, side by side; a line for each, its output if it failed. Returns the failed."""
    running = [
        (
            name,
            subprocess.Popen(
                [str(venv_python(root)), *arguments],
                cwd=root,
                env=environment,
                stdout=subprocess.PIPE,
                stderr=subprocess.STDOUT,
                encoding="utf-8",
                errors="replace",
            ),
        )
        for name, arguments in CHECKS
    ]
    failed = []
    for name, process in running:
        output, _ = process.communicate()
        print(f"{name:<18} {'passed' if process.returncode == 0 else 'FAILED'}", flush=True)
        if process.returncode != 0:
            print(output, flush=True)
            failed.append(name)
    return failed


# --- the command line -------------------------------------------------------------------------------------------


def run_command(root: Path, asked: list[str]) -> int:
    """Run a command of the toolkit in the folder the person is in."""
    words = ["--help"] if asked == ["commands"] else asked
    command = [str(venv_python(root)), "-P", "-m", "toolkit", *words]
    return subprocess.run(command, env=clean_environment(root), check=False).returncode


def main(asked: list[str]) -> int:
    """Set up what the command needs, run it, and return its exit status."""
    if not asked or asked[0] in ("help", "-h", "--help"):
        print(__doc__)
        return 0
    try:
        if asked[0] == "test":
            set_up(ROOT, (RUN_LOCK, REGISTRY_LOCK, TEST_LOCK))
            return run_tests(ROOT, asked[1:])
        set_up(ROOT, (RUN_LOCK, REGISTRY_LOCK) if asked[0] == "registry" else (RUN_LOCK,))
        return run_command(ROOT, asked)
    except SetupError as error:
        say(f"\n{error}")
        return 2
    except KeyboardInterrupt:
        say("\nStopped.")
        return 130


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
