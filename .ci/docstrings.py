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
from types import FunctionType, ModuleType
from typing import Any

from numpydoc.validate import validate

import bandkit
from bandkit.results import Table

ROOT = Path(__file__).parents[1]
MEMBERS = (FunctionType, property, classmethod, staticmethod)
# No parameters, no returns.
BY_CLASS = {"PR01", "RT01"}


def main() -> int:
    """Print what is wrong, one line each; 1 where anything is."""
    rules = tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["numpydoc_validation"]["checks"]
    off = set(rules) - {"all"}
    objects = sorted(dict(found for module in public_modules() for found in public_objects(module)).items())
    faults = [f"{name}: {code}: {what}" for name, value in objects for code, what in validate(name)["errors"]
              if code not in off and not (code in BY_CLASS and said_by_its_class(name, value))]
    print(*faults, f"{len(objects)} public objects, {len(faults)} docstring faults", sep="\n")
    return 1 if faults else 0


def said_by_its_class(name: str, value: Any) -> bool:
    """Whether parameters and returns are told elsewhere: in the base class, or in one line beside the class's own."""
    if inspect.isclass(value):
        return issubclass(value, Exception | Table) or getattr(value, "_is_protocol", False)
    in_a_class = name.split(".")[-2][0].isupper()
    return in_a_class and "\n\n" not in (inspect.getdoc(value) or "")


def public_modules() -> Iterator[ModuleType]:
    """All modules of the package whose path has no private part."""
    for info in pkgutil.walk_packages(bandkit.__path__, "bandkit."):
        # The options of a command are documented where they are declared.
        is_command = info.name.startswith(("bandkit.cli", "bandkit.commands"))
        if not is_command and not any(part.startswith("_") for part in info.name.split(".")):
            yield importlib.import_module(info.name)


def public_objects(module: ModuleType) -> Iterator[tuple[str, Any]]:
    """Full names of the module's own public functions, classes, methods and properties, and what they are."""
    for name, value in vars(module).items():
        if name.startswith("_") or getattr(value, "__module__", None) != module.__name__:
            continue
        if inspect.isfunction(value) or inspect.isclass(value):
            yield f"{module.__name__}.{name}", value
        if inspect.isclass(value):
            yield from ((f"{module.__name__}.{name}.{member}", what) for member, what in vars(value).items()
                        if not member.startswith("_") and isinstance(what, MEMBERS))


if __name__ == "__main__":
    sys.exit(main())
