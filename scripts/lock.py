"""Write the three lock files from pyproject.toml: `python scripts/lock.py` (needs `uv`: `pip install uv`).

requirements.lock           what the toolkit needs to run
requirements-registry.lock  the same releases, and the engine of a registry of many clinics
requirements-test.lock      the same releases, and what the tests need
Each pins every package by hash for every system and Python the toolkit supports, and records no address.
`--upgrade` takes the newest releases; without it a pin stays as long as pyproject.toml allows it.
"""

import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
RUN_LOCK, REGISTRY_LOCK, TEST_LOCK = "requirements.lock", "requirements-registry.lock", "requirements-test.lock"
COMPILE = ("uv", "pip", "compile", "pyproject.toml", "--quiet", "--universal", "--python-version", "3.11")
FORM = ("--generate-hashes", "--no-emit-index-url", "--no-header")


def compile_lock(output: str, *options: str) -> None:
    """Resolve pyproject.toml into the lock file `output`."""
    subprocess.run([*COMPILE, *FORM, *options, "--output-file", output], cwd=ROOT, check=True)


def main() -> None:
    """Write the lock files; none may move a release of the one before it."""
    asked = sys.argv[1:]
    compile_lock(RUN_LOCK, *asked)
    compile_lock(REGISTRY_LOCK, "--extra", "registry", "--constraints", RUN_LOCK, *asked)
    compile_lock(TEST_LOCK, "--extra", "registry", "--extra", "test", "--constraints", REGISTRY_LOCK, *asked)


if __name__ == "__main__":
    main()
