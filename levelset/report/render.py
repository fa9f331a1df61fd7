"""The only module that knows the templates: values in, one page of HTML out."""

from __future__ import annotations

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


@lru_cache(maxsize=1)
def _templates() -> Environment:
    from jinja2 import Environment, PackageLoader, StrictUndefined

    return Environment(
        loader=PackageLoader("levelset.report", "pages"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
