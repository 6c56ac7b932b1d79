"""A whole example night, rendered and then worked through as if it were yours.

``run_demo(folder)`` makes it and returns a ``DemoResult``; ``is_complete(folder)`` tells whether
a folder already holds one.
"""

from slowglass.demo.run import DemoResult, is_complete, run_demo

__all__ = ["DemoResult", "is_complete", "run_demo"]
