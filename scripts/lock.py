"""Write the two lock files from pyproject.toml: `python scripts/lock.py` (needs `uv`: `pip install uv`).

requirements.lock       what the toolkit needs to run
requirements-test.lock  the same releases, and what its tests need
Both pin every package by hash for every system and Python the toolkit supports, and record no address.
`--upgrade` takes the newest releases; without it a pin stays as long as pyproject.toml allows it.
"""

import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
RUN_LOCK, TEST_LOCK = "requirements.lock", "requirements-test.lock"
COMPILE = ("uv", "pip", "compile", "pyproject.toml", "--quiet", "--universal", "--python-version", "3.11")
FORM = ("--generate-hashes", "--no-emit-index-url", "--no-header")


def compile_lock(output: str, *options: str) -> None:
    """Resolve pyproject.toml into the lock file `output`."""
    subprocess.run([*COMPILE, *FORM, *options, "--output-file", output], cwd=ROOT, check=True)


def main() -> None:
    """Write both lock files; the second may not move a release of the first."""
    asked = sys.argv[1:]
    compile_lock(RUN_LOCK, *asked)
    compile_lock(TEST_LOCK, "--extra", "test", "--constraints", RUN_LOCK, *asked)


if __name__ == "__main__":
    main()
