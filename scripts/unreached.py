"""List the public functions and classes of the toolkit that no door reaches: `python -m scripts.unreached`.

Doors are the front door's names, the commands and the notebooks. From them the names used are followed from definition
to definition (by name, so that two of one name count as one).
"""

from __future__ import annotations

import ast
import json
import re
import sys
from collections import defaultdict
from dataclasses import dataclass, field
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
WORD = re.compile(r"[A-Za-z_][A-Za-z0-9_]*")
DOTTED = re.compile(r"[A-Za-z_][\w.]*")  # texts that may name a definition, such as those of a lazy import


@dataclass
class Definition:
    """A function or class at the top of a module, with the words its code uses."""

    module: str
    name: str
    lines: int
    words: set[str] = field(default_factory=set)


def words_of(node: ast.AST) -> set[str]:
    """Every name, attribute and word in a (short) text of the code; docstrings left out."""
    found: set[str] = set()
    docs = {
        id(n.body[0].value)
        for n in ast.walk(node)
        if isinstance(n, ast.FunctionDef | ast.ClassDef | ast.Module) and n.body and isinstance(n.body[0], ast.Expr)
    }
    for part in ast.walk(node):
        if isinstance(part, ast.Name):
            found.add(part.id)
        elif isinstance(part, ast.Attribute):
            found.add(part.attr)
        elif isinstance(part, ast.alias):
            found.add(part.name.split(".")[-1])
        elif isinstance(part, ast.Constant) and isinstance(part.value, str) and id(part) not in docs:
            found |= set(WORD.findall(part.value)) if DOTTED.fullmatch(part.value) else set()
    return found


def definitions(package: Path) -> tuple[list[Definition], dict[str, set[str]]]:
    """All definitions, and the words that stand at the top of each module outside of them."""
    found, loose = [], {}
    for path in sorted(package.rglob("*.py")):
        module = ".".join(path.relative_to(package.parent).with_suffix("").parts).removesuffix(".__init__")
        tree = ast.parse(path.read_text(encoding="utf-8"))
        loose[module] = set()
        for node in tree.body:
            if isinstance(node, ast.FunctionDef | ast.ClassDef):
                decorated = list(node.decorator_list)
                found.append(Definition(module, node.name, (node.end_lineno or 0) - node.lineno + 1, words_of(node)))
                if decorated and isinstance(node, ast.FunctionDef):
                    loose[module] |= {node.name} if _registers(decorated) else set()
            elif isinstance(node, ast.Assign | ast.AnnAssign) and (names := _assigned(node)):
                words = words_of(node)
                found += [Definition(module, name, 0, words) for name in names]
            elif not isinstance(node, ast.Import | ast.ImportFrom):
                loose[module] |= words_of(node)
    return found, loose


def _assigned(node: ast.Assign | ast.AnnAssign) -> list[str]:
    """The names that a line at the top of a module gives a value."""
    targets = node.targets if isinstance(node, ast.Assign) else [node.target]
    return [part.id for target in targets for part in ast.walk(target) if isinstance(part, ast.Name)]


def _registers(decorators: list[ast.expr]) -> bool:
    """Whether a decorator puts the function into a table (a command, a method), so that its name is not called."""
    return not all("cache" in ast.dump(one) or "property" in ast.dump(one) for one in decorators)


def door_words() -> set[str]:
    """The words of the doors: the front door, `stats`, the commands and the notebooks."""
    found: set[str] = set()
    for name in ("toolkit/__init__.py", "toolkit/stats/__init__.py", "toolkit/__main__.py"):
        if (ROOT / name).is_file():
            found |= words_of(ast.parse((ROOT / name).read_text(encoding="utf-8")))
    for folder in (ROOT / "toolkit" / "commands", ROOT / "toolkit" / "commands.py"):
        for path in [folder] if folder.is_file() else sorted(folder.rglob("*.py")):
            found |= words_of(ast.parse(path.read_text(encoding="utf-8")))
    for path in sorted((ROOT / "notebooks").rglob("*.ipynb")):
        for cell in json.loads(path.read_text(encoding="utf-8"))["cells"]:
            if cell["cell_type"] == "code":
                found |= set(WORD.findall("".join(cell["source"])))
    return found


def unreached() -> list[Definition]:
    """Public definitions that nothing reaches from a door."""
    everything, loose = definitions(ROOT / "toolkit")
    by_name = defaultdict(list)
    for one in everything:
        by_name[one.name].append(one)
    words = door_words()
    reached: set[int] = set()
    modules: set[str] = set()
    queue = list(words)
    while queue:
        for one in by_name.get(queue.pop(), []):
            if id(one) in reached:
                continue
            reached.add(id(one))
            new = set(one.words)
            if one.module not in modules:
                modules.add(one.module)
                new |= loose[one.module]
            queue += list(new - words)
            words |= new
    return [one for one in everything if id(one) not in reached and one.lines and not one.name.startswith("_")]


def main() -> None:
    """Print the list; exit with 1 where it is not empty."""
    found = unreached()
    for one in sorted(found, key=lambda one: (one.module, one.name)):
        print(f"{one.module}.{one.name}  {one.lines} lines")
    print(
        f"{len(found)} public functions and classes ({sum(one.lines for one in found)} lines) are reached by no door."
    )
    sys.exit(bool(found))


if __name__ == "__main__":
    main()
