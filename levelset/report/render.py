"""The only module that knows the templates: values in, one page of HTML out."""

from __future__ import annotations

import unicodedata
from functools import lru_cache
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from jinja2 import Environment


def render(template: str, context: dict[str, Any]) -> str:
    """Fill a template.

    Parameters
    ----------
    template : str
        Its file in ``pages``.
    context : dict
        Values by the names that it uses. All text is escaped; a name that is missing is an error.
        Drawings made by `levelset.report.svg` are marked as such in the template.
    """
    return _templates().get_template(template).render(context)


def showable(value: object) -> object:
    """Return text with a mark in place of what a page cannot hold, anything else as it is.

    Parameters
    ----------
    value : object
        What a template prints. Control characters, halves of characters and codes that are no
        characters are not allowed in HTML; signs that turn the direction of text around could
        make a page read other than it is.
    """
    if not isinstance(value, str) or hasattr(value, "__html__"):
        return value
    return "".join(c if _allowed(c) else "\N{REPLACEMENT CHARACTER}" for c in value)


def _allowed(c: str) -> bool:
    if c.isprintable() or c in "\t\n":
        return True
    # Spaces other than the plain one are not printable to Python, joiners are needed by scripts.
    return unicodedata.category(c) == "Zs" or c in "\N{ZERO WIDTH JOINER}\N{ZERO WIDTH NON-JOINER}"


@lru_cache(maxsize=1)
def _templates() -> Environment:
    from jinja2 import Environment, PackageLoader, StrictUndefined

    return Environment(
        loader=PackageLoader("levelset.report", "pages"),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=showable,
        trim_blocks=True,
        lstrip_blocks=True,
    )
