"""How the code is built, in figures: `python -m tests.structure [--json] [--check] [--root FOLDER]`.

`--check` exits 1 on an import circle of files. Imports are read from the syntax tree, wherever in a file they
are; an import of a package's names is an import of the file that is named, or else of its `__init__`.
Not modeled: imports by a computed name (`importlib`).
"""

from __future__ import annotations

import argparse
import ast
import json
import re
import statistics
import sys
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path

import networkx as nx

CODE = ("sim", "ui")
LONG_MODULE_LINES = 500
SHORT_FUNCTION_LINES = 22
LONG_FUNCTION_LINES = 50
COUNTED_TEXTS = {
    "uses of .split()[0]": r"\.split\(\)\[0\]",
    'uses of .partition(".")': r"""\.partition\(["']\.["']\)""",
    "uses of cast(": r"(?<![\w.])cast\(",
    'uses of getattr(x, "kind"': r"""getattr\([^,()]+, ["']kind["']""",
}


def files_in(root: Path, folders: tuple[str, ...]) -> dict[str, Path]:
    """Files of code by the dotted name of their module."""
    found = sorted(path for folder in folders for path in (root / folder).rglob("*.py"))
    return {
        ".".join(path.relative_to(root).with_suffix("").parts).removesuffix(".__init__"): path
        for path in found
    }


def is_for_types_only(node: ast.AST) -> bool:
    """Whether a node is `if TYPE_CHECKING:`."""
    return isinstance(node, ast.If) and ast.unparse(node.test).split(".")[-1] == "TYPE_CHECKING"


def imports_below(
    node: ast.AST, types: bool = False, inner: bool = False
) -> Iterator[tuple[ast.Import | ast.ImportFrom, bool, bool]]:
    """Import statements below a node: the statement, whether for types only, whether inside a function."""
    if isinstance(node, ast.Import | ast.ImportFrom):
        yield node, types, inner
    if isinstance(node, ast.If) and is_for_types_only(node):
        for child in node.body:
            yield from imports_below(child, True, inner)
        for child in node.orelse:
            yield from imports_below(child, types, inner)
        return
    within = inner or isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
    for child in ast.iter_child_nodes(node):
        yield from imports_below(child, types, within)


def modules_named(
    statement: ast.Import | ast.ImportFrom, module: str, path: Path, known: dict[str, Path]
) -> Iterator[str]:
    """The known modules that an import statement means."""
    if isinstance(statement, ast.Import):
        yield from (alias.name for alias in statement.names if alias.name in known)
        return
    parts = module.split(".") if path.name == "__init__.py" else module.split(".")[:-1]
    package = parts[: len(parts) - statement.level + 1] if statement.level else []
    source = ".".join([*package, *([statement.module] if statement.module else [])])
    for alias in statement.names:
        inner = f"{source}.{alias.name}"
        if inner in known or source in known:
            yield inner if inner in known else source


def circles(known: dict[str, Path], *, types: bool, inner: bool) -> list[list[str]]:
    """Import circles (strongly connected components of two or more files), largest first.

    `types` counts imports under `if TYPE_CHECKING:`, `inner` those inside functions.
    """
    graph: nx.DiGraph[str] = nx.DiGraph()
    for module, path in known.items():
        for statement, for_types, in_function in imports_below(ast.parse(path.read_text(encoding="utf-8"))):
            if (types or not for_types) and (inner or not in_function):
                graph.add_edges_from(
                    (module, other)
                    for other in modules_named(statement, module, path, known)
                    if other != module
                )
    found = [sorted(group) for group in nx.strongly_connected_components(graph) if len(group) > 1]
    return sorted(found, key=lambda group: (-len(group), group))


def nodes(paths: dict[str, Path], *kinds: type[ast.AST]) -> Iterator[tuple[str, ast.AST]]:
    """Nodes of the given kinds in all files, each with its module."""
    for module, path in paths.items():
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, kinds):
                yield module, node


def lines_of(path: Path) -> int:
    return len(path.read_text(encoding="utf-8").splitlines())


def sizes(code: dict[str, Path]) -> dict[str, object]:
    """Lines of modules, and of functions from `def` to the last line (decorators not counted)."""
    modules = {module: lines_of(path) for module, path in code.items()}
    functions = {
        f"{module}:{node.lineno} {node.name}": (node.end_lineno or node.lineno) - node.lineno + 1
        for module, node in nodes(code, ast.FunctionDef, ast.AsyncFunctionDef)
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
    }
    short = sum(lines < SHORT_FUNCTION_LINES for lines in functions.values())
    return {
        "lines of code": sum(modules.values()),
        "modules": len(modules),
        f"modules over {LONG_MODULE_LINES} lines": sum(
            lines > LONG_MODULE_LINES for lines in modules.values()
        ),
        "median lines of a module": statistics.median(modules.values()) if modules else 0,
        "longest module": longest(modules),
        "functions": len(functions),
        f"functions over {LONG_FUNCTION_LINES} lines": sum(
            n > LONG_FUNCTION_LINES for n in functions.values()
        ),
        f"functions under {SHORT_FUNCTION_LINES} lines, %": percent(short, len(functions)),
        "longest function": longest(functions),
    }


def rooms(root: Path, code: dict[str, Path]) -> dict[str, str]:
    """Lines, modules and the median of lines of a module by room; a room is a folder of code."""
    inside: dict[str, list[int]] = defaultdict(list)
    for path in code.values():
        inside[path.parent.relative_to(root).as_posix()].append(lines_of(path))
    return {
        room: f"{sum(lines):6} lines, {len(lines):3} modules, median {statistics.median(lines):g}"
        for room, lines in sorted(inside.items())
    }


def longest(lines: dict[str, int]) -> str:
    name = max(lines, key=lambda name: lines[name], default="")
    return f"{name}, {lines[name]} lines" if name else "none"


def percent(part: int, whole: int) -> float:
    return round(100 * part / whole, 1) if whole else 0.0


def shared_class_names(code: dict[str, Path]) -> dict[str, list[str]]:
    """Class names that more than one module defines."""
    homes: dict[str, set[str]] = defaultdict(set)
    for module, node in nodes(code, ast.ClassDef):
        if isinstance(node, ast.ClassDef):
            homes[node.name].add(module)
    return {name: sorted(modules) for name, modules in sorted(homes.items()) if len(modules) > 1}


def private_uses(tests: dict[str, Path]) -> int:
    """Attributes such as `x._name` in tests, other than those of `self` and `cls`, and imports of `_name`."""
    found = 0
    for _, node in nodes(tests, ast.Attribute, ast.ImportFrom):
        if isinstance(node, ast.Attribute):
            own = isinstance(node.value, ast.Name) and node.value.id in {"self", "cls"}
            found += is_private(node.attr) and not own
        elif isinstance(node, ast.ImportFrom):
            found += sum(is_private(alias.name) for alias in node.names)
    return found


def is_private(name: str) -> bool:
    """As ruff's rule SLF001 has it: `_replace` of a named tuple and `_repr_svg_` for notebooks are public."""
    return name.startswith("_") and not name.endswith("_") and name != "_replace"


def of_tests(root: Path, code_lines: int) -> dict[str, object]:
    tests = files_in(root, ("tests",))
    functions = [
        node
        for _, node in nodes(tests, ast.FunctionDef, ast.AsyncFunctionDef)
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef) and node.name.startswith("test_")
    ]
    told = sum(ast.get_docstring(node) is not None for node in functions)
    return {
        "tests": len(functions),
        "tests with a docstring, %": percent(told, len(functions)),
        "test/code": round(sum(map(lines_of, tests.values())) / code_lines, 2) if code_lines else 0.0,
        "private names used in tests": private_uses(tests),
    }


def measured(root: Path) -> dict[str, object]:
    """Every figure by its name; rooms by folder, circles and shared class names as lists."""
    code = files_in(root, CODE)
    figures = sizes(code)
    figures["rooms"] = rooms(root, code)
    texts = [path.read_text(encoding="utf-8") for path in code.values()]
    for name, pattern in COUNTED_TEXTS.items():
        figures[name] = sum(len(re.findall(pattern, text)) for text in texts)
    figures |= of_tests(root, sum(map(lines_of, code.values())))
    figures["class names in several modules"] = shared_class_names(code)
    figures["circles at import"] = circles(code, types=False, inner=False)
    figures["circles with imports in functions"] = circles(code, types=False, inner=True)
    figures["circles with imports for types"] = circles(code, types=True, inner=False)
    figures["circles with every import"] = circles(code, types=True, inner=True)
    return figures


def table(figures: dict[str, object]) -> Iterator[str]:
    """A line per figure; below a list its members."""
    for name, value in figures.items():
        if isinstance(value, list):
            yield f"{name:40} {len(value)}"
            yield from (f"    {len(group)} files: {', '.join(group)}" for group in value)
        elif isinstance(value, dict):
            yield f"{name:40} {len(value)}"
            yield from (
                f"    {key:16} {member}" if isinstance(member, str) else f"    {key}: {', '.join(member)}"
                for key, member in value.items()
            )
        else:
            yield f"{name:40} {value}"


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description="How the code is built, in figures.")
    parser.add_argument("--json", action="store_true")
    parser.add_argument("--check", action="store_true", help="exit 1 on an import circle of files")
    parser.add_argument("--root", type=Path, default=Path(__file__).parent.parent)
    given = parser.parse_args(arguments)
    figures = measured(given.root)
    print(json.dumps(figures, indent=1) if given.json else "\n".join(table(figures)))
    return 1 if given.check and figures["circles with every import"] else 0


if __name__ == "__main__":
    sys.exit(main())
