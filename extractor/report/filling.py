"""The templates of the pages and sheets, filled in."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any


def filled(
    template: str, filters: dict[str, Callable[..., Any]] | None = None, /, **values: object
) -> str:
    """Return a page of ``templates/`` with its places filled; what is filled in stays text.

    Parameters
    ----------
    template : str
        The file's name.
    filters : dict, optional
        Functions that the template calls on values, by name.
    **values
        By the names that the template uses.
    """
    from jinja2 import Environment, PackageLoader

    environment = Environment(
        loader=PackageLoader("extractor.report"),
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters.update(filters or {})
    return environment.get_template(template).render(**values)
