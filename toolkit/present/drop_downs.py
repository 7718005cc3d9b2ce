"""What every chooser of a notebook is made of: drop-downs, and the choice in words where there is no browser."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import ipywidgets

Options = list[tuple[str, str]]


class Chooser:
    """Something that shows its widget in a notebook, and the choice in words where there is no browser."""

    widget: ipywidgets.Box

    def _repr_mimebundle_(self, **given: Any) -> Any:
        return self.widget._repr_mimebundle_(**given)

    def __repr__(self) -> str:
        return "; ".join(f"{each.description} {each.value}" for each in self.widget.children if hasattr(each, "value"))


def drop_down(name: str, options: Options) -> ipywidgets.Dropdown:
    """One drop-down, wide enough for its words."""
    from ipywidgets import Dropdown, Layout

    return Dropdown(
        description=name, options=options, layout=Layout(width="34rem"), style={"description_width": "8rem"}
    )


def refill(box: Any, options: Options) -> None:
    """Give a drop-down other options, keeping what was chosen where it is still there."""
    kept = box.value
    box.options = options
    box.value = kept if kept in {value for _, value in options} else options[0][1]
