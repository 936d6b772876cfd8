"""Check the docstrings of everything public in bandkit against the numpydoc rules.

numpydoc's own linter reads source text and so misses the parameters that a
dataclass makes from its fields; this looks at the imported objects instead.
"""

from __future__ import annotations

import importlib
import inspect
import pkgutil
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

from numpydoc.validate import validate

import bandkit

ROOT = Path(__file__).parents[1]


def main() -> int:
    """Print what is wrong, one line each; 1 where anything is."""
    rules = tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["numpydoc_validation"]["checks"]
    off = set(rules) - {"all"}
    names = sorted({name for module in public_modules() for name in public_objects(module)})
    found = 0
    for name in names:
        for code, what in validate(name)["errors"]:
            if code not in off:
                found += 1
                print(f"{name}: {code}: {what}")
    print(f"{len(names)} public objects, {found} docstring faults")
    return 1 if found else 0


def public_modules() -> Iterator[ModuleType]:
    """All modules of the package whose path has no private part."""
    for info in pkgutil.walk_packages(bandkit.__path__, "bandkit."):
        # The options of a command are documented where they are declared.
        if info.name != "bandkit.cli" and not any(part.startswith("_") for part in info.name.split(".")):
            yield importlib.import_module(info.name)


def public_objects(module: ModuleType) -> Iterator[str]:
    """Full names of the module's own public functions, classes, methods and properties."""
    for name, value in vars(module).items():
        if name.startswith("_") or getattr(value, "__module__", None) != module.__name__:
            continue
        if inspect.isfunction(value):
            yield f"{module.__name__}.{name}"
        elif inspect.isclass(value):
            yield f"{module.__name__}.{name}"
            yield from (f"{module.__name__}.{name}.{member}" for member in own_members(value))


def own_members(kind: type[Any]) -> Iterator[str]:
    """Public methods and properties that the class itself defines with a docstring of its own."""
    for name, value in vars(kind).items():
        if not name.startswith("_") and (inspect.isfunction(value) or isinstance(value, property | classmethod)):
            yield name


if __name__ == "__main__":
    sys.exit(main())
