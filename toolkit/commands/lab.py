"""The notebooks, opened from the command line."""

from __future__ import annotations

import click


@click.command(context_settings={"ignore_unknown_options": True})
@click.argument("options", nargs=-1, type=click.UNPROCESSED)
def lab(options: tuple[str, ...]) -> int:
    """Open the notebooks in JupyterLab, in your browser, without asking anything of the network."""
    from toolkit.notebook.lab import open_lab

    return open_lab(options)
