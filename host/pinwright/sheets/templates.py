"""The templates of HTML pages. The only importer of jinja2.

Whatever is put into one is escaped, and a name that is missing is an error.
"""

from __future__ import annotations

from pathlib import Path

import jinja2

TEMPLATES = jinja2.Environment(
    loader=jinja2.FileSystemLoader(Path(__file__).parent),
    autoescape=True,
    undefined=jinja2.StrictUndefined,
    trim_blocks=True,
    lstrip_blocks=True,
    keep_trailing_newline=True,
)
