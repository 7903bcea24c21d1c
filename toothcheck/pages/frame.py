"""The frame of every page: Jinja2 templates kept as package data, with automatic escaping."""

from __future__ import annotations

import base64
import json
import re
from collections.abc import Mapping
from functools import cache

from jinja2 import ChoiceLoader, Environment, PackageLoader, StrictUndefined
from markupsafe import Markup


@cache
def _environment(package: str) -> Environment:
    return Environment(
        loader=ChoiceLoader([PackageLoader(package), PackageLoader("toothcheck.pages")]),
        autoescape=True,
        undefined=StrictUndefined,  # a misspelt name is an error, not an empty place in a report
        trim_blocks=True,
        lstrip_blocks=True,
    )


def render(package: str, template: str, values: Mapping[str, object]) -> str:
    """One page as text.

    Parameters
    ----------
    package
        Dotted name of the package whose ``templates`` folder holds the template; the shared frame is found behind it.
    template
        File name in that folder.
    values
        What the template names; text is escaped, `markupsafe.Markup` is not.
    """
    return _environment(package).get_template(template).render(dict(values))


def json_for_page(value: object) -> Markup:
    """JSON that can stand inside a ``script`` element: no ``<`` that could close it, no NaN.

    Raises
    ------
    ValueError
        When a number is not finite.
    """
    text = json.dumps(value, allow_nan=False, ensure_ascii=True, separators=(",", ":"))
    return Markup(text.replace("<", "\\u003c").replace("&", "\\u0026"))


def data_uri(content: bytes, media_type: str) -> str:
    """The bytes as a ``data:`` address, so that a page needs no file beside it."""
    return f"data:{media_type};base64,{base64.b64encode(content).decode('ascii')}"


def tied(text: str) -> str:
    """The text with no line break between a number and its unit."""
    return re.sub(r"(\d) (mm|km|%|px|±)", "\\1\u00a0\\2", text).replace("± ", "±\u00a0")
