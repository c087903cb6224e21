"""What every page of ours is made with: templates, styles, and a policy that keeps it alone."""

import base64
import hashlib
from functools import cache
from importlib import resources

from jinja2 import Environment, PackageLoader, StrictUndefined


def policy(style: str, script: str | None = None) -> str:
    """Content policy: no address but the page's own, no style and no script but these two.

    Parameters
    ----------
    style, script : str
        Texts that stand in the page; without a script, none may run.

    Returns
    -------
    str
        Content of the ``Content-Security-Policy``.
    """
    runs = "" if script is None else f"script-src '{_source_hash(script)}'; "
    return (
        "default-src 'none'; "
        f"img-src 'self' data:; style-src '{_source_hash(style)}'; "
        f"{runs}base-uri 'none'; form-action 'none'"
    )


@cache
def part(name: str) -> str:
    """Text of a file beside the templates."""
    return (resources.files("audit.report.page") / "templates" / name).read_text(encoding="utf-8")


@cache
def environment() -> Environment:
    """Templates; whatever is put into them is escaped, and nothing may be missing."""
    return Environment(
        loader=PackageLoader("audit.report.page"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        auto_reload=False,
    )


def _source_hash(text: str) -> str:
    digest = hashlib.sha256(text.encode()).digest()
    return f"sha256-{base64.b64encode(digest).decode()}"
