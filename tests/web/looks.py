"""What several browser tests look for on a page: faults against WCAG 2.2 AA, and its pixels."""

from __future__ import annotations

import io

import numpy as np
from PIL import Image

WCAG = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]


def faults_of(page):
    """What axe finds against WCAG 2.2 AA: rules, and the first places of each."""
    from axe_playwright_python.sync_playwright import Axe

    found = Axe().run(page, options={"runOnly": {"type": "tag", "values": WCAG}})
    assert len(found.response["passes"]) > 5
    return [
        (rule["id"], [node["target"] for node in rule["nodes"]][:3])
        for rule in found.response["violations"]
    ]


def pixels(page):
    """The whole page as it is drawn, (rows, columns, 3)."""
    shot = Image.open(io.BytesIO(page.screenshot(full_page=True)))
    return np.asarray(shot.convert("RGB"))


def is_red_alone(page):
    """True when the page is lit, and no pixel of it has any green or blue."""
    shot = pixels(page)
    return bool(shot[..., 0].max() == 255 and shot[..., 1:].max() == 0)
