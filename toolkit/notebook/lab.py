"""Open the notebooks in JupyterLab, on this machine only: no news, no update checks, nothing asked of the network."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

from toolkit import resources
from toolkit.errors import ToolkitError
from toolkit.notebook.live import DEFERS

COPIED_TO = "session-outcomes-notebooks"


def open_lab(options: Sequence[str] = ()) -> int:
    """Open the first notebook in JupyterLab; `options` are JupyterLab's own. Returns its exit status when it ends.

    Raises ToolkitError where there is no notebook to open.
    """
    folder = working_folder(Path.cwd())
    return subprocess.run(lab_command(folder, options), env=lab_environment(), check=False).returncode


def working_folder(here: Path) -> Path:
    """The notebooks to work in: the project's own, or copies of the installed ones in `here`.

    A copy that is there already stays as its user left it.
    """
    source = resources.notebook_folder()
    if source.parent != Path(__file__).resolve().parents[1]:
        return source
    target = here / COPIED_TO
    target.mkdir(exist_ok=True)
    for notebook in sorted(source.glob("*.ipynb")):
        if not (target / notebook.name).exists():
            shutil.copyfile(notebook, target / notebook.name)
    return target


def lab_command(folder: Path, options: Sequence[str] = ()) -> list[str]:
    """The command that opens the first notebook of `folder`, the kernel on the same Python."""
    notebooks = sorted(folder.glob("*.ipynb"))
    if not notebooks:
        raise ToolkitError(f"There is no notebook in {folder}. Fetch the toolkit again, whole.")
    return [
        *(sys.executable, "-m", "jupyterlab", str(notebooks[0]), f"--ServerApp.root_dir={folder}"),
        *("--LabApp.news_url=None", "--LabApp.extension_manager=readonly"),
        "--LabApp.check_for_updates_class=jupyterlab.NeverCheckForUpdate",
        *(
            ["--allow-root"] if getattr(os, "geteuid", lambda: 1)() == 0 else []
        ),  # as in a container; it listens locally
        *options,
    ]


def lab_environment() -> dict[str, str]:
    """The environment in which a kernel finds the toolkit, says errors in words, and JupyterLab has quiet settings."""
    ours = str(resources.shared_file("jupyter"))
    settings, kernels = ([ours, os.environ.get(name, "")] for name in ("JUPYTER_CONFIG_PATH", "JUPYTER_PATH"))
    package_home = str(Path(__file__).resolve().parents[2])
    return {
        **os.environ,
        "JUPYTER_CONFIG_PATH": os.pathsep.join(filter(None, settings)),
        "JUPYTER_PATH": os.pathsep.join(filter(None, kernels)),
        "JUPYTER_PREFER_ENV_PATH": "1",
        DEFERS: "1",
        "PYTHONPATH": os.pathsep.join(filter(None, [package_home, os.environ.get("PYTHONPATH", "")])),
    }
