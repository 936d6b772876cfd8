"""The templates of the pages that are written."""

from __future__ import annotations

from functools import cache

from jinja2 import Environment, PackageLoader, StrictUndefined

from bandkit.output.words import number_text, unit_text


@cache
def environment() -> Environment:
    """Template environment: everything that is filled in is escaped.

    Returns
    -------
    jinja2.Environment
        One per process; a name that is not filled in is an error.
    """
    env = Environment(
        loader=PackageLoader("bandkit.output", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    env.filters["number"] = number_text
    env.filters["unit"] = unit_text
    return env
