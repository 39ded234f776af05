"""Every public float says its unit in its name: a bare `temp` has ruined parts."""

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
PACKAGES = ("collector", "forecast", "dashboards", "hardware/tent")
UNITS = (
    "c", "k", "f", "pct", "pa", "hpa", "w", "kw", "w_m2", "w_k", "w_m2_k", "kj", "j", "j_g",
    "j_kg", "kj_mol", "j_mol", "j_k", "kj_k", "j_kg_k", "j_g_k", "mj_kg", "kwh", "m", "m2", "m3",
    "m_s", "mm", "s", "ms", "us", "min", "h", "days", "day", "months", "g", "kg", "g_m2", "kg_m2",
    "g_m3", "g_kg", "kg_kg", "g_ml", "kg_m3", "kg_s", "kg_h", "g_h", "ml", "l", "ppm", "v", "dbm",
    "hours", "per_s", "per_min", "per_h", "c_h", "w_mk", "m3_s", "g_s",
    "m2_k_w", "deg", "k_s", "k_h", "per_k", "kg_m2_s", "oz", "bytes", "hz",
)  # fmt: skip
# Pure numbers and values whose unit stands in a field beside them.
UNITLESS = {
    "value": "its unit is its quantity's",
    "min_value": "its unit is its quantity's",
    "max_value": "its unit is its quantity's",
    "offset": "its unit is its quantity's",
    "lowest": "its unit is its quantity's",
    "mean": "its unit is its quantity's",
    "highest": "its unit is its quantity's",
    "floor": "its unit is its quantity's",
    "ceiling": "its unit is its quantity's",
    "gain": "a ratio",
    "limit": "its unit is its quantity's",
    "low": "its unit is its quantity's",
    "likely": "its unit is its quantity's",
    "high": "its unit is its quantity's",
    "number_of": "its unit is its quantity's",
    "written_number": "its unit is its quantity's",
    "finite": "its unit is its quantity's",
    "uncertainty": "its unit is its quantity's",
    "real_seconds": "its unit is its name",
    "parse_percent": "its unit is its name",
    "speed": "times as fast",
    "raised": "flags as a number",
    "probability": "a share of paths",
    "rest": "times the length of the work before it",
    "progress_low": "a share of the way",
    "progress_high": "a share of the way",
    "shown_temperature": "in the reader's own unit",
    "shown_difference": "in the reader's own unit",
}
UNITLESS_ENDINGS = (
    "_ratio",
    "ratio",
    "_share",
    "_odds",
    "odds",
    "_logit",
    "progress",
    "fraction",
    "exponent",
    "factor",
    "conversion",
)


def _floats(tree: ast.Module) -> Iterator[tuple[int, str]]:
    """Yield (line, name) of public parameters, fields and functions that are floats or arrays of them."""
    for node in tree.body:
        if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
            for item in node.body:
                if isinstance(item, ast.AnnAssign) and isinstance(item.target, ast.Name):
                    if _is_float(item.annotation) and not item.target.id.startswith("_"):
                        yield item.lineno, item.target.id
                elif isinstance(item, ast.FunctionDef):
                    yield from _function(item)
        elif isinstance(node, ast.FunctionDef):
            yield from _function(node)


def _function(node: ast.FunctionDef) -> Iterator[tuple[int, str]]:
    if node.name.startswith("_") and node.name != "__init__":
        return
    arguments = [*node.args.posonlyargs, *node.args.args, *node.args.kwonlyargs]
    for argument in arguments:
        if argument.annotation is not None and _is_float(argument.annotation):
            yield argument.lineno, argument.arg
    if node.returns is not None and _is_float(node.returns):
        yield node.lineno, node.name


def _is_float(annotation: ast.expr) -> bool:
    text = ast.unparse(annotation)
    return text in {"float", "float | None", "FloatArray", "float | FloatArray"} or text.startswith(
        "Annotated[float"
    )


def _says_unit(name: str) -> bool:
    if name in UNITLESS or name.endswith(UNITLESS_ENDINGS):
        return True
    return any(name == unit or name.endswith(f"_{unit}") for unit in UNITS)


FILES = sorted(
    path
    for package in PACKAGES
    for path in (ROOT / package).rglob("*.py")
    if path.name == "__init__.py" or not path.name.startswith("_")
)


@pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(ROOT)))
def test_public_floats_end_in_their_unit(path: Path) -> None:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    bare = [f"{path.name}:{line}: {name}" for line, name in _floats(tree) if not _says_unit(name)]
    assert not bare, "end these in their unit (or say in UNITLESS why they have none):\n" + "\n".join(bare)


def test_a_bare_float_is_caught() -> None:
    tree = ast.parse("def dew_point(temp: float, humidity_pct: float) -> float: ...")
    assert [name for _, name in _floats(tree) if not _says_unit(name)] == ["temp", "dew_point"]
