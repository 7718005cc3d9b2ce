"""Where the toolkit's own files are: codebook, reference values, cautions, schemas, demo data, notebooks.

In a source tree they stand beside the package (`shared/`, `datasets/`, `notebooks/`); in an installed
wheel inside it (`toolkit/shared/` …). Nothing else in the toolkit knows which of the two it is.
"""

from pathlib import Path

from toolkit.errors import ToolkitError

_PACKAGE = Path(__file__).resolve().parent


def _folder(name: str) -> Path:
    """The folder `name`, inside the installed package or beside it in a source tree."""
    inside = _PACKAGE / name
    return inside if inside.is_dir() else _PACKAGE.parent / name


def shared_file(name: str) -> Path:
    """Path of a file in `shared/`, for example ``shared_file("codebook/measures.csv")``."""
    return _folder("shared") / name


def dataset_file(name: str) -> Path:
    """Path of a file in `datasets/`, for example ``dataset_file("demo/sessions.csv")``."""
    return _folder("datasets") / name


_DEMOS = {"clinic": "demo/sessions.csv", "own_words": "demo/sessions_own_words.xlsx", "three_sites": "three_sites"}


def demo(name: str = "clinic") -> Path:
    """Path of a simulated export to try things on; the truth behind it lies beside it (`truth.json`).

    Parameters
    ----------
    name
        "clinic" (one row a measured side, codebook names), "own_words" (the same clinic as a practitioner keeps it) or
        "three_sites" (a folder with a folder for each of three sites).

    Returns
    -------
    pathlib.Path
        The file, for `load_records` and `audit`.

    Raises
    ------
    ToolkitError
        There is no demo of that name.

    Examples
    --------
    >>> demo().name
    'sessions.csv'
    """
    if name not in _DEMOS:
        raise ToolkitError(f"There is no demo '{name}'. Choose one of: {', '.join(_DEMOS)}.")
    return dataset_file(_DEMOS[name])


def notebook_folder() -> Path:
    """The folder that holds the notebooks."""
    return _folder("notebooks")
