"""Pages: values into templates. A page is one file, without scripts, and asks for no other.

Reports and names may have been written by anybody: whatever a template prints is escaped for HTML,
and what is not printable (control characters, marks of writing direction) never reaches the page.
"""

from __future__ import annotations

from typing import Final

from jinja2 import Environment, PackageLoader, StrictUndefined

from watcher import __version__
from watcher.console import shown_text
from watcher.files import shown


def _harmless(value: object) -> object:
    """What an expression gives, as it may be printed; ``Markup`` is of our own templates."""
    if isinstance(value, str) and not hasattr(value, "__html__"):
        return shown_text(value)
    return value


_TEMPLATES: Final = Environment(
    loader=PackageLoader("watcher"),
    autoescape=True,
    undefined=StrictUndefined,
    finalize=_harmless,
    trim_blocks=True,
    lstrip_blocks=True,
    auto_reload=False,
)
_TEMPLATES.globals["version"] = __version__
_TEMPLATES.filters["shown"] = shown


def rendered(template: str, **values: object) -> bytes:
    """A page, ready to be written.

    Args:
        template: the name of a file in ``templates``.
        values: what it names.
    """
    return _TEMPLATES.get_template(template).render(values).encode("utf-8")
