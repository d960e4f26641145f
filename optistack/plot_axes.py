"""The matplotlib Axes that a result draws on."""

from __future__ import annotations

from typing import Any


def axes(ax: Any) -> Any:
    """The Axes given, or those of a new figure."""
    if ax is None:
        import matplotlib.pyplot as plt

        _, ax = plt.subplots()
    return ax
