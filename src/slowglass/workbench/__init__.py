"""The front door of the library: kit, site and sky bound together, one method a step.

    from slowglass.workbench import Workbench

    bench = Workbench.open()
    route = bench.find("M15")

Everything heavy is imported when a step needs it, so opening a workbench is quick.
"""

from __future__ import annotations

from slowglass.workbench.base import FIRST_YEAR, LAST_YEAR
from slowglass.workbench.learning import Learning


class Workbench(Learning):
    """A kit at a site under the sky, and all that can be asked of it."""


__all__ = ["FIRST_YEAR", "LAST_YEAR", "Workbench"]
