"""A build sheet as one self-contained HTML page.

It asks the network for nothing and is whole without its script. The one script that it runs is ours, named by
its hash in the page's Content-Security-Policy; texts reach it only through the page's own elements.
"""

from __future__ import annotations

import base64
import hashlib
from pathlib import Path

from pinwright.cable.laying import as_laid
from pinwright.cable.profile import Profile
from pinwright.sheets.build import BuildEnd, BuildSheet, Strand
from pinwright.sheets.build_picture import end_picture, picture_size
from pinwright.sheets.drawing import wiring_picture
from pinwright.sheets.templates import TEMPLATES

_FOLDER = Path(__file__).parent


def build_page(profile: Profile, sheet: BuildSheet) -> bytes:
    """The same sheet gives the same bytes, as long as this program and jinja2 are the same."""
    script = (_FOLDER / "build.js").read_text(encoding="utf-8")
    digest = base64.b64encode(hashlib.sha256(script.encode("utf-8")).digest()).decode("ascii")
    page = TEMPLATES.get_template("build.html").render(
        sheet=sheet,
        ends=_drawn(profile, sheet),
        strands=[(strand, _is_many(strand, sheet)) for strand in sheet.strands],
        wiring=wiring_picture(as_laid(profile), behind=sheet.behind),
        script=script,
        digest=digest,
    )
    return page.encode("utf-8")


def _is_many(strand: Strand, sheet: BuildSheet) -> bool:
    """Whether its list is printed side by side: it is long, and has places at one end at most."""
    worded = [place for place in strand.ends if not sheet.ends[place].pressed]
    return len(strand.rows) > 24 and len(strand.ends) < 3 and len(worded) < 2


def _drawn(profile: Profile, sheet: BuildSheet) -> list[tuple[BuildEnd, str, float, float]]:
    """Each end and its picture; then its width as a share of the widest, and of the tallest one's height: so
    all of them have one scale, however much room there is."""
    pictures = [end_picture(own, sheet) for own in profile.ends]
    sizes = [picture_size(picture) for picture in pictures]
    widest, tallest = max(width for width, _ in sizes), max(height for _, height in sizes)
    return [
        (end, picture, round(width / widest, 3), round(width / tallest, 3))
        for end, picture, (width, _) in zip(sheet.ends, pictures, sizes, strict=True)
    ]
