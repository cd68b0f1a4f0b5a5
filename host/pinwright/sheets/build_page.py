"""A build sheet as one self-contained HTML page.

It asks the network for nothing and is whole without its script. The one script that it runs is ours, named by
its hash in the page's Content-Security-Policy; texts reach it only through the page's own elements.
"""

from __future__ import annotations

import base64
import hashlib
from pathlib import Path

import jinja2

from pinwright.cable.laying import as_laid
from pinwright.cable.profile import Profile
from pinwright.sheets.build import BuildSheet
from pinwright.sheets.build_picture import end_picture
from pinwright.sheets.drawing import wiring_picture

_FOLDER = Path(__file__).parent
_TEMPLATES = jinja2.Environment(
    loader=jinja2.FileSystemLoader(_FOLDER),
    autoescape=True,
    undefined=jinja2.StrictUndefined,
    trim_blocks=True,
    lstrip_blocks=True,
    keep_trailing_newline=True,
)


def build_page(profile: Profile, sheet: BuildSheet) -> bytes:
    """The same sheet gives the same bytes, as long as this program and jinja2 are the same."""
    script = (_FOLDER / "build.js").read_text(encoding="utf-8")
    digest = base64.b64encode(hashlib.sha256(script.encode("utf-8")).digest()).decode("ascii")
    page = _TEMPLATES.get_template("build.html").render(
        sheet=sheet,
        ends=[(end, end_picture(own, sheet)) for end, own in zip(sheet.ends, profile.ends, strict=True)],
        wiring=wiring_picture(as_laid(profile), behind=sheet.behind),
        script=script,
        digest=digest,
    )
    return page.encode("utf-8")
