"""Where the toolkit's own files are: codebook, reference values, cautions, schemas, demo data, notebooks.

In a source tree they stand beside the package (`shared/`, `datasets/`, `notebooks/`); in an installed
wheel inside it (`toolkit/shared/` …). Nothing else in the toolkit knows which of the two it is.
"""

from pathlib import Path

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


def notebook_folder() -> Path:
    """The folder that holds the notebooks."""
    return _folder("notebooks")
