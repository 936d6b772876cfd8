"""The house rules that a reviewer would otherwise have to look for: arrows, sizes, units, words."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import pytest

import bandkit
from bandkit.flags import FLAG_MEANINGS

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "bandkit"

# The order of the work: each may import only from names before it.
ORDER = (
    "errors", "flags", "dates", "stats", "table", "uncertainty", "budget", "stain_tables", "results", "record", "cut", "images", "scale", "axis", "strip", "surface", "follow", "register", "stain",
    "luminescence", "bands", "density", "plausible", "dating", "growth", "carrier", "tomography", "tracks", "branches", "stain_lines", "staining", "companion", "provenance", "bulk", "checks", "tell",
    "pipeline", "simulate", "propose", "analysis", "output", "batch", "workbench", "commands", "cli", "__main__",
)
# A result writes itself: the one arrow that points the other way, and only inside a method.
LAZY_EXCEPTIONS = {("results", "output")}

# Libraries that only these rooms may touch.
ROOMS = {
    "matplotlib": {"output"},
    "jinja2": {"output"},
    "typer": {"cli", "commands"},
    "rich": {"cli"},
    "click": set(),
    "tifffile": {"images", "simulate"},
    "PIL": {"images", "simulate"},
    "imagecodecs": {"images"},
    "pydicom": {"images"},
    "tomlkit": {"record"},
    "tomllib": {"record"},
    "pandas": {"results"},
    "starlette": {"workbench"},
    "uvicorn": {"workbench"},
}
SLOW = ("numpy", "scipy", "skimage", "matplotlib", "tifffile", "PIL", "tomlkit", "jinja2", "pandas", "starlette")

MAX_MODULE_LINES = 400
MAX_FUNCTION_LINES = 60

UNITS = ("px", "px2", "mm", "mm_px", "per_mm", "um", "m", "yr", "mm_yr", "mm2_yr2", "days", "deg", "frac", "kev",
         "g_cm2", "g_cm3", "g_cm2_yr", "cm2_g", "g2_cm6", "g2_cm4_yr2", "g")
# A number with one of these in its name is of a kind that has a unit.
QUANTITIES = ("age", "angle", "area", "areal", "blur", "calcification", "density", "depth", "distance", "edge", "energy",
              "extension", "height", "interval", "latitude", "length", "longitude", "mass", "offset", "radius", "shift",
              "size", "spacing", "step", "surface", "tail", "thickness", "tilt", "width", "x", "y", "dx", "dy")
# Of one kind throughout, said in the module or in the field's own documentation.
UNITS_ELSEWHERE = {"output/layout.py": "inches", "scale/piece.py": "pixels of the reduced picture"}
# Ratios and directions.
UNITLESS = {"extension_ar1", "mu_areal", "spacing_log_sd", "tangent_x", "tangent_y", "x_px_per_unit", "y_px_per_unit"}


@dataclass(frozen=True)
class Arrow:
    """One import of one room by another."""

    source: str
    target: str
    lazy: bool
    where: str


def modules() -> list[Path]:
    return sorted(PACKAGE.rglob("*.py"))


@cache
def tree_of(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


def room_of(path: Path) -> str:
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


def imported(node: ast.AST) -> list[str]:
    if isinstance(node, ast.Import):
        return [alias.name for alias in node.names]
    if isinstance(node, ast.ImportFrom):
        assert node.level == 0, "imports are written in full"
        if node.module == "bandkit":
            return [f"bandkit.{alias.name}" for alias in node.names]
        return [node.module or ""]
    return []


@cache
def imports(path: Path) -> tuple[tuple[str, bool, int], ...]:
    """Name, whether inside a function, line; what only a type checker sees is left out."""
    tree = tree_of(path)
    typing_only = {id(inner) for node in ast.walk(tree)
                   if isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING"
                   for inner in ast.walk(node)}
    in_function = {id(inner) for node in ast.walk(tree) if isinstance(node, ast.FunctionDef) for inner in ast.walk(node)}
    return tuple((name, id(node) in in_function, node.lineno) for node in ast.walk(tree) if id(node) not in typing_only
                 for name in imported(node))


def arrows() -> list[Arrow]:
    found = []
    for path in modules():
        source = room_of(path)
        for name, lazy, line in imports(path):
            parts = name.split(".")
            if parts[0] == "bandkit" and parts[1:2] not in ([source], ["_version"], []):
                found.append(Arrow(source, parts[1], lazy, f"{path.relative_to(ROOT)}:{line}"))
    return found


def test_every_room_is_in_the_order():
    rooms = {room_of(path) for path in modules()} - {"__init__", "_version"}
    assert rooms <= set(ORDER)


def test_imports_point_one_way():
    wrong = [f"{a.where}: {a.source} imports {a.target}" for a in arrows()
             if a.source != "__init__" and ORDER.index(a.target) >= ORDER.index(a.source)
             and not (a.lazy and (a.source, a.target) in LAZY_EXCEPTIONS)]
    assert wrong == []


def test_the_package_itself_imports_nothing_but_its_version():
    eager = [name for name, lazy, _ in imports(PACKAGE / "__init__.py") if name.startswith("bandkit") and not lazy]
    assert eager == ["bandkit._version"]


@pytest.mark.parametrize("library", ROOMS)
def test_library_stays_in_its_room(library):
    wrong = [f"{path.relative_to(ROOT)}:{line}" for path in modules() for name, _, line in imports(path)
             if name.split(".")[0] == library and room_of(path) not in ROOMS[library]]
    assert wrong == []


def test_pyplot_is_never_used():
    assert not [path for path in modules() for name, _, _ in imports(path) if "pyplot" in name]


def test_command_line_imports_nothing_slow_at_the_top():
    eager = {name.split(".")[0] for name, lazy, _ in imports(PACKAGE / "cli.py") if not lazy}
    assert eager & set(SLOW) == set()


@pytest.mark.parametrize("arguments", [["--help"], ["measure", "--help"], ["--version"]])
def test_help_loads_nothing_slow(arguments):
    code = (f"import sys; sys.argv = ['bandkit', *{arguments!r}]\n"
            "from bandkit.cli import main\n"
            "try: main()\n"
            "except SystemExit as stop: assert not stop.code, stop.code\n"
            f"sys.stderr.write(' '.join(m for m in {SLOW!r} if m in sys.modules))")
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60)
    assert done.stderr == ""
    assert "bandkit" in done.stdout


def test_importing_bandkit_loads_nothing_slow():
    code = f"import sys, bandkit; print([m for m in {SLOW!r} if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60)
    assert done.stdout.strip() == "[]"


def test_modules_are_short():
    long = {path.relative_to(ROOT).as_posix(): n for path in modules()
            if (n := len(path.read_text(encoding="utf-8").splitlines())) > MAX_MODULE_LINES}
    assert long == {}


def code_lines(function: ast.FunctionDef) -> int:
    """Lines of a function without its docstring."""
    first = function.body[0]
    start, end = function.lineno, function.end_lineno or function.lineno
    documented = isinstance(first, ast.Expr) and isinstance(first.value, ast.Constant)
    return end - start + 1 - ((first.end_lineno or 0) - first.lineno + 1 if documented else 0)


def functions() -> Iterator[tuple[Path, ast.FunctionDef]]:
    for path in modules():
        for node in ast.walk(tree_of(path)):
            if isinstance(node, ast.FunctionDef):
                yield path, node


def test_functions_are_short():
    long = {f"{path.relative_to(ROOT)}: {f.name}": n for path, f in functions()
            if (n := code_lines(f)) > MAX_FUNCTION_LINES}
    assert long == {}


def is_public(path: Path, *names: str) -> bool:
    return not any(part.startswith("_") for part in (*path.relative_to(PACKAGE).with_suffix("").parts, *names)
                   if part != "__init__")


def holds_float(annotation: ast.expr | None) -> bool:
    """Whether an annotation is a float or an array, tuple or option of floats; not a mapping or a callable."""
    text = ast.unparse(annotation) if annotation is not None else ""
    return bool(re.search(r"\bfloat\b|\bFloatArray\b|\bnp\.float", text)) and not re.search(
        r"ClassVar|Callable|Mapping|dict\[|list\[FloatArray", text)


def named_floats() -> Iterator[tuple[str, str]]:
    """Where, and the name of, every float field of a public dataclass and float parameter of a public function."""
    for path in modules():
        for node in tree_of(path).body:
            where = f"{path.relative_to(ROOT)}: "
            if isinstance(node, ast.ClassDef) and is_public(path, node.name) and node.decorator_list:
                for field in (f for f in node.body if isinstance(f, ast.AnnAssign)):
                    name = ast.unparse(field.target)
                    if holds_float(field.annotation):
                        yield f"{where}{node.name}.{name}", name
            if isinstance(node, ast.FunctionDef) and is_public(path, node.name):
                for argument in (*node.args.args, *node.args.kwonlyargs):
                    if holds_float(argument.annotation):
                        yield f"{where}{node.name}({argument.arg})", argument.arg


def lacks_unit(name: str) -> bool:
    return (bool(set(name.split("_")) & set(QUANTITIES)) and name not in UNITLESS
            and not any(name.endswith(f"_{unit}") for unit in UNITS))


def test_every_quantity_bears_its_unit():
    floats = list(named_floats())
    assert len(floats) > 100, "hardly any found: this test looks for the wrong thing"
    lacking = {where for where, name in floats if lacks_unit(name)}
    assert sorted(where for where in lacking if where.split(":")[0].removeprefix("bandkit/") not in UNITS_ELSEWHERE) == []
    assert {where.split(":")[0].removeprefix("bandkit/") for where in lacking} == set(UNITS_ELSEWHERE)


@pytest.mark.parametrize(("name", "lacking"), [
    ("extension", True), ("depth", True), ("x", True), ("step", True), ("extension_mm_yr", False), ("depth_mm", False),
    ("x_px", False), ("probability", False), ("extension_sd", True), ("index", False)])
def test_rule_for_units_can_tell(name, lacking):
    assert lacks_unit(name) == lacking


def test_flag_codes_are_known():
    """Also those that no test happens to raise."""
    used = {}
    for path in modules():
        for node in ast.walk(tree_of(path)):
            if isinstance(node, ast.Call) and ast.unparse(node.func).split(".")[-1] == "Flag":
                for keyword in node.keywords:
                    if keyword.arg == "code" and isinstance(keyword.value, ast.Constant):
                        used[keyword.value.value] = f"{path.relative_to(ROOT)}:{node.lineno}"
    assert used, "no flag is raised anywhere: this test looks for the wrong thing"
    assert {code: where for code, where in used.items() if code not in FLAG_MEANINGS} == {}


def tracked_texts() -> list[Path]:
    done = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, text=True, check=False)
    names = [name for name in done.stdout.split("\0") if name]
    if done.returncode or not names:
        pytest.skip("not a git checkout")
    return [ROOT / name for name in names
            if Path(name).suffix in {".py", ".md", ".toml", ".cff", ".csv", ".j2", ".ipynb", ".json", ""}
            and (ROOT / name).is_file()]


def test_no_path_of_one_machine_is_written_down():
    # Put together here, so that this file does not find itself.
    somebodys = re.compile("|".join(f"/{folder}/" for folder in ("wor" "k", "tm" "p", "hom" "e", "roo" "t", "User" "s")))
    wrong = [f"{path.relative_to(ROOT)}:{number}" for path in tracked_texts()
             for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), 1) if somebodys.search(line)]
    assert wrong == []


# ---- public names


def test_public_names_are_those_listed():
    assert set(bandkit.__all__) == {"__version__", *bandkit._HOMES}
    assert dir(bandkit) == sorted(bandkit.__all__)


@pytest.mark.parametrize("name", sorted(set(bandkit.__all__)))
def test_public_name_is_what_its_module_calls_it(name):
    value = getattr(bandkit, name)
    if name != "__version__":
        assert value.__name__ == name
        assert value.__doc__


def test_names_for_the_type_checker_are_the_same():
    block = next(node for node in tree_of(PACKAGE / "__init__.py").body if isinstance(node, ast.If))
    told = {alias.name: node.module for node in block.body if isinstance(node, ast.ImportFrom) for alias in node.names}
    assert told == {name: f"bandkit.{home}" for name, home in bandkit._HOMES.items()}


def test_unknown_name_is_an_attribute_error():
    with pytest.raises(AttributeError, match="module 'bandkit' has no attribute 'fnord'"):
        _ = bandkit.fnord
